"""A PostgreSQL server of one's own on loopback, in a folder of its own, for tests and measurements.

It needs the server's programs (Debian: ``apt-get install postgresql``); nothing of an installed cluster is touched.
"""

from __future__ import annotations

import contextlib
import os
import shutil
import socket
import subprocess
import time
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

USER = "stepwitness"
DATABASE = "postgres"
ACCOUNT = "postgres"
"""Whom the server runs as where this process is root, as the server refuses to."""

READY_WITHIN_S = 60.0


@dataclass(frozen=True)
class Server:
    """A running server."""

    port: int
    programs: Path

    def url(self, *, port: int = 0) -> str:
        """Of its first database; `port` is that of a relay before it."""
        return f"postgresql+psycopg://{USER}@127.0.0.1:{port or self.port}/{DATABASE}"

    def run(self, program: str, *arguments: str) -> None:
        """Run one of the client programs on the server's first database."""
        command = [str(self.programs / program), "-h", "127.0.0.1", "-p", str(self.port), "-U", USER, *arguments]
        environment = {**os.environ, "PGDATABASE": DATABASE, "PGOPTIONS": "-c client_min_messages=warning"}
        ended = subprocess.run(command, check=False, capture_output=True, text=True, env=environment)
        if ended.returncode:
            raise RuntimeError(f"{program}: {ended.stderr.strip() or ended.stdout.strip()}")


def programs() -> Path | None:
    """The folder of the newest server that is installed; None where there is none, or nobody may run it."""
    debian = sorted(
        (path for path in Path("/usr/lib/postgresql").glob("*/bin") if (path / "initdb").exists()),
        key=lambda path: float(path.parent.name),
    )
    on_path = shutil.which("initdb")
    found = debian[-1] if debian else Path(on_path).resolve().parent if on_path else None
    if found is None or (_is_root() and (_account() is None or shutil.which("setpriv") is None)):
        return None
    return found


@contextlib.contextmanager
def running_server(folder: Path, *, durable: bool = True) -> Iterator[Server]:
    """A new server that keeps its data in `folder`/data; gone at the end. Not durable is quick, for tests."""
    found = programs()
    if found is None:
        raise RuntimeError("no PostgreSQL server is installed here (Debian: apt-get install postgresql)")
    folder.mkdir(parents=True, exist_ok=True)
    data, port = folder / "data", _free_port()
    prefix = _as_account(folder)
    subprocess.run(
        [*prefix, str(found / "initdb"), "-D", str(data), "-U", USER, "-A", "trust", "-E", "UTF8", "--no-sync"],
        check=True,
        capture_output=True,
        cwd=folder,
    )
    command = [str(found / "postgres"), "-D", str(data), "-p", str(port), "-h", "127.0.0.1", "-k", str(folder)]
    command += [] if durable else ["-F"]
    with open(folder / "server.log", "wb") as log:
        process = subprocess.Popen([*prefix, *command], cwd=folder, stdout=log, stderr=log)
    try:
        server = Server(port, found)
        _wait_until_ready(server, process, folder / "server.log")
        yield server
    finally:
        process.terminate()  # a smart shutdown; connections that are still open would keep it
        try:
            process.wait(5)
        except subprocess.TimeoutExpired:
            process.kill()
            process.wait()


def _wait_until_ready(server: Server, process: subprocess.Popen[bytes], log: Path) -> None:
    deadline = time.monotonic() + READY_WITHIN_S
    while time.monotonic() < deadline and process.poll() is None:
        with contextlib.suppress(RuntimeError):
            server.run("pg_isready")
            return
        time.sleep(0.1)
    raise RuntimeError(f"PostgreSQL didn't start: {log.read_text(errors='replace')[-500:]}")


def _as_account(folder: Path) -> list[str]:
    """What runs a program as the server's account where this process is root."""
    if not _is_root():
        return []
    account = _account()
    assert account is not None, "programs() found it"
    user, group = account
    os.chown(folder, user, group)
    for above in folder.resolve().parents:  # temporary folders are closed to others
        if not above.stat().st_mode & 0o001:
            above.chmod(above.stat().st_mode | 0o011)
    return ["setpriv", f"--reuid={user}", f"--regid={group}", "--clear-groups"]


def _is_root() -> bool:
    return hasattr(os, "geteuid") and os.geteuid() == 0


def _account() -> tuple[int, int] | None:
    import pwd

    try:
        entry = pwd.getpwnam(ACCOUNT)
    except KeyError:
        return None
    return entry.pw_uid, entry.pw_gid


def _free_port() -> int:
    with socket.socket() as listener:
        listener.bind(("127.0.0.1", 0))
        port: int = listener.getsockname()[1]
        return port

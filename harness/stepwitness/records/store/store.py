"""The store as its users see it: what goes in, and what is asked."""

from __future__ import annotations

import contextlib
import tempfile
from collections.abc import Iterator, Mapping
from functools import cached_property
from pathlib import Path
from types import TracebackType
from typing import Any, Self

from sqlalchemy import Engine, select

from stepwitness.errors import near_miss
from stepwitness.records.manifest import FILE, open_record, verify
from stepwitness.records.store import queries
from stepwitness.records.store.address import REPORTS, Address
from stepwitness.records.store.chains import broken_chains
from stepwitness.records.store.deletion import delete_record, deletions_of, refuse_deleted
from stepwitness.records.store.documents import documents_of, has_document, put_document, seal_at
from stepwitness.records.store.engine import make_engine, reading, tidy, writing
from stepwitness.records.store.errors import StoreError
from stepwitness.records.store.filing import put_record
from stepwitness.records.store.models import IdentityRow, RecordRow
from stepwitness.records.store.pieces import file_names, file_pieces
from stepwitness.records.store.schema import prepare
from stepwitness.records.store.signatures import put_signatures
from stepwitness.records.store.stored import Deletion, StoredDocument, StoredFinding, StoredRecord, TrendPoint

_SHORTEST_SEAL = 6


def open_store(where: str | Path | None = None, *, reports: Path = REPORTS) -> Store:
    """The store at `where`, made or migrated where that is needed.

    Parameters
    ----------
    where : a file's path, or a URL such as ``postgresql+psycopg://rig@db/stepwitness``; None for what
        ``STEPWITNESS_STORE`` says, or else the file ``stepwitness.sqlite`` in `reports`.

    Raises
    ------
    BadInput : for a URL that can't be read, and a database or driver that isn't there.
    StoreUnreachable : where the database can't be reached.
    StoreTooNew : where a newer version of this software made its tables.
    """
    return Store(Address(where, reports=reports))


class Store:
    """A store of records; use it in a ``with``, or `close` it.

    Every method raises `StoreUnreachable` where the database isn't reached any more.
    """

    def __init__(self, address: Address) -> None:
        self.address = address
        self._has_filed = False
        self._engine: Engine = make_engine(address)
        try:
            prepare(self._engine, address)
        except BaseException:
            self._engine.dispose()
            raise

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()

    def __repr__(self) -> str:
        return repr(self.address)

    @cached_property
    def identity(self) -> str:
        """Which store this is, whatever way leads to it."""
        with reading(self._engine, self.address) as connection:
            return connection.scalars(select(IdentityRow.id)).one()

    def close(self) -> None:
        """Let go of the database."""
        if self._has_filed:
            with contextlib.suppress(StoreError):
                tidy(self._engine, self.address)
        self._engine.dispose()

    # -- records ---------------------------------------------------------------------------------------------

    def file(self, directory: Path, *, folder: str = "") -> StoredRecord:
        """Take the record in a run's folder, with journals and signatures; where it is here, signatures that are new.

        Parameters
        ----------
        folder : what to remember as its folder (default: its last two names).

        Raises
        ------
        StoreError : where the folder isn't what was sealed, with the place.
        RecordDeleted : where it was here and was deleted on purpose.
        RecordError : where there is no record.
        """
        directory = Path(directory).absolute()
        record = open_record(directory)
        broken = verify(directory)
        if broken:
            more = f" and {len(broken) - 1} more" if len(broken) > 1 else ""
            raise StoreError(f"{directory} isn't what was sealed: {broken[0]}{more}")
        with writing(self._engine, self.address) as connection:
            refuse_deleted(connection, str(record.seal["sha256"]))
            self._has_filed = True
            put_record(connection, record, folder or f"{directory.parent.name}/{directory.name}")
            put_signatures(connection, directory / FILE, str(record.seal["sha256"]))
            found = queries.record_by_seal(connection, str(record.seal["sha256"]))
        assert found is not None, "it was filed, now or before"
        return found

    def has(self, seal: str) -> bool:
        """Whether the record, or another document, of this seal is here."""
        with reading(self._engine, self.address) as connection:
            record = connection.scalar(select(RecordRow.id).where(RecordRow.seal == seal))
            return record is not None or has_document(connection, seal)

    def records(
        self,
        *,
        bench: str = "",
        axis: str = "",
        serial: str = "",
        plan: str = "",
        purpose: str = "",
        verdict: str = "",
        simulated: bool | None = None,
        unlabelled: bool = False,
        since: str = "",
        until: str = "",
        after: StoredRecord | None = None,
        limit: int | None = 50,
    ) -> tuple[StoredRecord, ...]:
        """A page of records, newest first.

        Parameters
        ----------
        bench, axis, serial, plan, purpose, verdict, simulated : each must be equal where it is given.
        unlabelled : only units without a serial number.
        since, until : ISO 8601 times or days, UTC without a zone; `until` itself isn't included.
        after : the last record of the page before. limit : records on a page, None for all.
        """
        with reading(self._engine, self.address) as connection:
            return queries.records_where(
                connection,
                subject=_subject(bench, axis, serial, plan, simulated, unlabelled=unlabelled),
                record={"purpose": purpose, "verdict": verdict},
                since=since,
                until=until,
                after=after,
                limit=limit,
            )

    def record(self, key: str) -> StoredRecord:
        """One record: by its seal or the beginning of it (six signs at least), by ``BENCH/FOLDER``, or by its run's id.

        Raises
        ------
        StoreError : where there is none, or several.
        """
        with reading(self._engine, self.address) as connection:
            found = None
            if len(key) >= _SHORTEST_SEAL and not set(key.lower()) - set("0123456789abcdef"):
                found = queries.record_by_seal(connection, key.lower())
            if found is None:
                bench, _, name = key.rpartition("/")
                found = queries.record_by_name(connection, bench="", name=key) or (
                    queries.record_by_name(connection, bench=bench, name=name) if bench else None
                )
            if found is None:
                benches = queries.names_of(connection, "bench")
                hint = near_miss(key.rpartition("/")[0], benches) if "/" in key else ""
                raise StoreError(f"there is no record '{key}' in {self.address}" + (f"; {hint}" if hint else ""))
            return found

    def findings(self, seal: str) -> tuple[StoredFinding, ...]:
        """The findings of a record, in its order, then its estimates without a limit."""
        with reading(self._engine, self.address) as connection:
            return queries.findings_of(connection, seal)

    def trend(
        self,
        *,
        axis: str = "",
        procedure: str = "",
        characteristic: str,
        serial: str = "",
        bench: str = "",
        plan: str = "",
        simulated: bool | None = None,
        unlabelled: bool = False,
        since: str = "",
        limit: int | None = None,
        oldest: bool = False,
    ) -> tuple[TrendPoint, ...]:
        """A characteristic over the records, oldest first, with or without a limit in its plan.

        Parameters
        ----------
        procedure : its id in the plan. simulated : None gives stand-ins and real parts, each point saying which.
        unlabelled : only units without a serial number. since : an ISO 8601 time or day.
        limit : so many at most, the newest, or the `oldest`.
        """
        with reading(self._engine, self.address) as connection:
            return queries.trend_of(
                connection,
                procedure=procedure,
                characteristic=characteristic,
                subject=_subject(bench, axis, serial, plan, simulated, unlabelled=unlabelled),
                since=since,
                limit=limit,
                oldest=oldest,
            )

    def last_split(
        self,
        *,
        bench: str = "",
        axis: str = "",
        serial: str = "",
        plan: str = "",
        simulated: bool | None = None,
        unlabelled: bool = False,
    ) -> str:
        """When the last record began that was made with something else than the newest; empty where none was."""
        with reading(self._engine, self.address) as connection:
            return queries.last_split_of(
                connection, subject=_subject(bench, axis, serial, plan, simulated, unlabelled=unlabelled)
            )

    def characteristics(self) -> tuple[str, ...]:
        """The name of every characteristic that a record here ever had."""
        with reading(self._engine, self.address) as connection:
            return tuple(queries.characteristics_of(connection))

    # -- files -----------------------------------------------------------------------------------------------

    def file_names(self, seal: str) -> tuple[str, ...]:
        """The files that a record was sealed with, its own first."""
        number = self._number(seal)
        with reading(self._engine, self.address) as connection:
            return tuple(file_names(connection, number))

    def pieces(self, seal: str, name: str) -> Iterator[bytes]:
        """What such a file holds, to the byte, piece by piece."""
        number = self._number(seal)
        with reading(self._engine, self.address) as connection:
            yield from file_pieces(connection, number, name)

    def sections(self, seal: str) -> Mapping[str, Any]:
        """What the record of this seal says, by section, as `open_record` gives it."""
        with tempfile.TemporaryDirectory() as room:
            (Path(room) / FILE).write_bytes(b"".join(self.pieces(seal, FILE)))
            return open_record(Path(room)).sections

    def _number(self, seal: str) -> int:
        with reading(self._engine, self.address) as connection:
            number = connection.scalar(select(RecordRow.id).where(RecordRow.seal == seal))
        if number is None:
            raise StoreError(f"there is no record of the seal {seal} in {self.address}")
        return number

    # -- deleting --------------------------------------------------------------------------------------------

    def delete(self, seal: str, *, why: str, by: str = "") -> Deletion:
        """Delete a record with its findings and files; what stays is the returned note of it.

        Parameters
        ----------
        why : the reason. by : initials, or empty where the site keeps none.

        Raises
        ------
        StoreError : where there is no such record. ValueError : without a reason.
        """
        if not why.strip():
            raise ValueError("a record isn't deleted without a reason")
        with writing(self._engine, self.address) as connection:
            delete_record(connection, seal, by=by, why=why)
            told = deletions_of(connection, seal=seal)
        if not told:
            raise StoreError(f"there is no record of the seal {seal} in {self.address}")
        return told[0]

    def deletions(self, bench: str = "") -> tuple[Deletion, ...]:
        """Every deletion, in the order in which they were made."""
        with reading(self._engine, self.address) as connection:
            return deletions_of(connection, bench=bench)

    def broken_chains(self, bench: str = "") -> list[str]:
        """Each place where a record's predecessor is neither here nor deleted on purpose, in a sentence."""
        with reading(self._engine, self.address) as connection:
            return broken_chains(connection, bench=bench)

    # -- documents -------------------------------------------------------------------------------------------

    def file_document(self, kind: str, key: str, path: Path) -> None:
        """Keep a sealed document (``lot``, ``qualification`` or ``installation``) with its signatures; each once."""
        with writing(self._engine, self.address) as connection:
            put_document(connection, kind=kind, key=key, path=Path(path))
            put_signatures(connection, Path(path), seal_at(Path(path)))

    def file_signatures(self, document: Path, seal: str) -> list[str]:
        """Keep the signatures beside a document of this seal, where that is here; the names of the new ones."""
        with writing(self._engine, self.address) as connection:
            return put_signatures(connection, document, seal)

    def documents(self, kind: str, key_prefix: str = "") -> tuple[StoredDocument, ...]:
        """By key; the states of one key in the order in which they were filed."""
        with reading(self._engine, self.address) as connection:
            return documents_of(connection, kind=kind, key_prefix=key_prefix)


def _subject(
    bench: str, axis: str, serial: str, plan: str, simulated: bool | None, *, unlabelled: bool
) -> dict[str, Any]:
    told = {"bench": bench, "axis": axis, "serial": serial, "plan": plan, "simulated": simulated}
    return {**told, "unlabelled": unlabelled or None}

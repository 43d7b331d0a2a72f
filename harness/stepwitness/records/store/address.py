"""Where a store is: a file, or the URL of a database, whose password is never shown.

1. A password stands in an address and nowhere else: neither text nor repr of one holds it.
2. Without a word from the user the store is a file beside the reports; ``STEPWITNESS_STORE`` says otherwise.
"""

from __future__ import annotations

import os
from pathlib import Path

from sqlalchemy.engine import URL, make_url
from sqlalchemy.exc import ArgumentError

from stepwitness.errors import BadInput, Place

VARIABLE = "STEPWITNESS_STORE"
FILE = "stepwitness.sqlite"
REPORTS = Path("reports")

_ALLOWED = "a file's path, or postgresql+psycopg://USER@HOST/DATABASE"


class Address:
    """The address of a store.

    Parameters
    ----------
    where : a path, a URL, or None for ``STEPWITNESS_STORE`` or else the file below `reports`.

    Raises
    ------
    BadInput : for a URL that can't be read, or one of another database.
    """

    def __init__(self, where: str | Path | None = None, *, reports: Path = REPORTS) -> None:
        told = str(where or os.environ.get(VARIABLE, "") or reports / FILE)
        self.url = _url(told) if "://" in told else _file_url(Path(told))

    @property
    def file(self) -> Path | None:
        """The file of an SQLite store."""
        if self.url.get_backend_name() != "sqlite":
            return None
        return Path(self.url.database or "")

    def without_password(self, text: str) -> str:
        """`text` without this address's password, should a library have put it there."""
        password = self.url.password
        return text.replace(str(password), "***") if password else text

    def __str__(self) -> str:
        return str(self.file) if self.file is not None else self.url.render_as_string(hide_password=True)

    def __repr__(self) -> str:
        return f"<store at {self}>"


def _file_url(path: Path) -> URL:
    return URL.create("sqlite+pysqlite", database=str(path))


def _url(text: str) -> URL:
    place = Place("store")
    try:
        url = make_url(text)
    except (ArgumentError, ValueError):
        raise BadInput("the URL of the store can't be read", place=place, allowed=_ALLOWED) from None
    backend = url.get_backend_name()
    if backend == "sqlite" and url.database:
        return _file_url(Path(url.database))
    if backend in ("postgresql", "postgres"):
        return url.set(drivername="postgresql+psycopg")
    raise BadInput("no store is kept in such a database", place=place, found=f"'{backend}'", allowed=_ALLOWED)

"""Sealed documents on disk as commands take them: given as a file, or as the folder that holds it.

1. A folder is known by the name of its document; a note that a supplier's inspection goes on has no folder of its own.
2. The readings of a run belong to its record: what is broken in them is broken in it, however it was given.
"""

from __future__ import annotations

from fnmatch import fnmatchcase
from pathlib import Path

from stepwitness.commands.terminal import say
from stepwitness.errors import BadInput, Place
from stepwitness.records.kinds import KINDS, RECORD, RESUMPTION_FILES, kind_of

_NAMES = (*(kind.file for kind in KINDS), RESUMPTION_FILES)


def document_at(path: Path) -> Path | None:
    """The file of a document, given by itself or by its folder; None where a folder has none of its own."""
    if path.is_file():
        return path
    return next((path / kind.file for kind in KINDS if (path / kind.file).is_file()), None)


def one_document(path: Path) -> Path:
    """As `document_at`.

    Raises
    ------
    BadInput : where there is none.
    """
    found = document_at(path)
    if found is None:
        raise BadInput("there is no sealed document here", place=Place(str(path)), allowed=f"a folder with {_named()}")
    return found


def documents_below(path: Path) -> list[Path]:
    """The files of every document in a folder's folders.

    Raises
    ------
    BadInput : where there is none.
    """
    found = sorted(
        file for file in path.rglob("*.json") if any(fnmatchcase(file.name, name) for name in _NAMES) and file.is_file()
    )
    if not found:
        raise BadInput(
            "there is no sealed document here",
            place=Place(str(path)),
            allowed=f"a folder with {_named()}, or one above such folders",
        )
    return found


def broken_in(file: Path) -> list[str]:
    """Each place where a document differs from what was sealed; of a record, its readings too."""
    from stepwitness.records.manifest import verify
    from stepwitness.records.sealed import broken_places

    return verify(file.parent) if file.name == RECORD.file else broken_places(file)


def told_broken(file: Path) -> bool:
    """Whether a document differs from what was sealed; each place where it does is told."""
    broken = broken_in(file)
    for place in broken:
        say(place, to_error=True)
    return bool(broken)


def draw_page(file: Path) -> None:
    """Draw the page of a document anew, where its kind has one; what a renderer stumbles over is told in a line."""
    from stepwitness.records.rendering import rendered

    kind = kind_of(file)
    for trouble in rendered(file.parent, kind.renderers)[1] if kind is not None else ():
        say(trouble, to_error=True)


def _named() -> str:
    *others, last = (kind.file for kind in KINDS)
    return f"{', '.join(others)} or {last}"

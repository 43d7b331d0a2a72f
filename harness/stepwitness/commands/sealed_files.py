"""What `sign` and `verify` share: which sealed file is meant by a path, and where it isn't what was sealed."""

from __future__ import annotations

from pathlib import Path

from stepwitness.records.kinds import KINDS, RECORD


def sealed_file(path: Path) -> Path | None:
    """A file itself, or the sealed document of a folder; None where that has none."""
    if path.is_file():
        return path
    return next((path / kind.file for kind in KINDS if (path / kind.file).is_file()), None)


def broken_in(file: Path) -> list[str]:
    """Each place that isn't what was sealed; of a record also in its journals."""
    from stepwitness.records.manifest import verify
    from stepwitness.records.sealed import broken_places

    return verify(file.parent) if file.name == RECORD.file else broken_places(file)

"""The past as it stands in the folders of records: what no store has yet, or all there is where none can be reached."""

from __future__ import annotations

from collections.abc import Collection, Iterator, Mapping, Sequence
from functools import cached_property
from pathlib import Path
from typing import Any

from stepwitness.errors import StepwitnessError
from stepwitness.history.past import EarlierRun, Point, Subject
from stepwitness.records.manifest import FILE, Record, open_record
from stepwitness.records.splits import splits_in


class FolderPast:
    """Every record below one folder, ``reports/<bench>``, read when it is first asked for.

    `only` are the names of those in it that are meant; all of them where it is None.
    """

    def __init__(self, folder: Path, *, only: Collection[str] | None = None) -> None:
        self._folder, self._only = Path(folder), only

    def points(self, subject: Subject, *, procedure: str, characteristic: str, since: str = "") -> Sequence[Point]:
        found = []
        for record, splits in self._records:
            if _is_of(record.sections, subject) and record.sections["run"]["started"] >= since:
                seal, started = str(record.seal["sha256"]), str(record.sections["run"]["started"])
                found += [
                    Point(seal, started, float(estimate["value"]), float(estimate["u"]), splits)
                    for estimate in _estimates(record.sections, procedure, characteristic)
                ]
        return found

    def runs(self, subject: Subject, *, since: str, limit: int | None = None) -> Sequence[EarlierRun]:
        told = [
            (record.directory, record.sections["run"])
            for record, _ in self._records
            if _is_of(record.sections, subject)
        ]
        found = [
            EarlierRun(run["id"], run["started"], run["attempt"], run["previous"], run["verdict"], str(folder))
            for folder, run in told
            if run["started"] >= since
        ]
        return found if limit is None else found[-limit:]

    def _named(self, names: Collection[str]) -> Iterator[Path]:
        return (path for name in names if (path := self._folder / name / FILE).is_file())

    @cached_property
    def _records(self) -> list[tuple[Record, Mapping[str, str]]]:
        """Oldest first; what isn't a record that this version reads is left out."""
        found = []
        meant = self._folder.glob(f"*/{FILE}") if self._only is None else self._named(self._only)
        for path in meant:
            try:
                record = open_record(path.parent)
            except StepwitnessError:
                continue
            found.append((record, splits_in(record.sections)))
        return sorted(found, key=lambda one: (one[0].sections["run"]["started"], one[0].sections["run"]["attempt"]))


def _is_of(sections: Mapping[str, Any], subject: Subject) -> bool:
    return subject == Subject(
        bench=sections["bench"]["name"],
        axis=sections["axis"]["name"],
        serial=sections["axis"]["serial"],
        plan=sections["plan"]["name"],
        simulated=sections["run"]["simulated"],
    )


def _estimates(sections: Mapping[str, Any], procedure: str, characteristic: str) -> Iterator[Mapping[str, Any]]:
    for entry in sections["procedures"]:
        if entry["id"] == procedure:
            yield from (one for one in entry["estimates"] if one["name"] == characteristic and one["value"] is not None)

"""What is known of one part of one supplier: its lots on disk, in their order, and how its inspection stands.

1. Every sentence carries the state of inspection before and after it, its number, and the seal of the one before: the
   chain of lots is the only memory.
2. A lot whose sample stayed incomplete, and one that was resubmitted after a sentence, leave the state as it was.
3. What ran on stand-ins has a history of its own, in a folder of its own.
"""

from __future__ import annotations

import contextlib
import re
from collections.abc import Collection, Iterator, Mapping
from dataclasses import asdict, dataclass
from functools import cached_property
from pathlib import Path
from typing import Any

from filelock import FileLock

from stepwitness.errors import BadInput, StepwitnessError
from stepwitness.metrology.sampling import Edition
from stepwitness.metrology.switching import Stage, State, resumed
from stepwitness.records.kinds import LOT, RESUMPTION_FILE, RESUMPTION_FILES
from stepwitness.records.ledger import Event, read_events
from stepwitness.records.sealed import Sealed, broken_places, open_sealed, write_sealed

LOT_SCHEMA = "stepwitness-lot/1"
RESUMPTION_SCHEMA = "stepwitness-resumption/1"
LEDGER_SCHEMA = "stepwitness-lot-ledger/1"
LOT_FILE, LEDGER_FILE = LOT.file, "lot.ledger.jsonl"


class HistoryBroken(StepwitnessError):
    """The lots of a supplier's part aren't the ones that were sealed, or not all of them are there."""


def lot_folder(reports: Path, *, supplier: str, part: str, lot: str, simulated: bool) -> Path:
    """Where a lot is kept: ``reports/lots/<supplier>/<part>/<lot>``, or ``reports/lots-simulated/...``."""
    return reports / ("lots-simulated" if simulated else "lots") / _folder(supplier) / _folder(part) / _folder(lot)


def _folder(text: str) -> str:
    """A folder's name for a text; texts that share one are told apart by what stands in the folder."""
    return re.sub(r"[^A-Za-z0-9_.-]+", "-", text).strip("-.") or "-"


def plain_state(state: State) -> dict[str, Any]:
    """A state as JSON holds it."""
    return {**asdict(state), "stage": state.stage.value, "recent": list(state.recent), "found": list(state.found)}


def state_from(plain: Mapping[str, Any]) -> State:
    """The state that `plain_state` wrote."""
    told = {**plain, "stage": Stage(plain["stage"]), "recent": tuple(plain["recent"]), "found": tuple(plain["found"])}
    return State(**told)


@dataclass(frozen=True)
class Supply:
    """The lots of one part of one supplier; `folder` holds them.

    Everything that reads it raises `HistoryBroken` where the folder is another supplier's or part's.
    """

    folder: Path
    supplier: str
    part: str

    @cached_property
    def chain(self) -> list[Sealed]:
        """Sentences and resumptions, the first first; read once, as none is added while a lot is under way.

        Raises
        ------
        HistoryBroken : one that isn't whole, or a gap between them.
        """
        paths = [*self.folder.glob(f"*/{LOT_FILE}"), *self.folder.glob(RESUMPTION_FILES)]
        found = sorted((self._whole(path) for path in paths), key=lambda one: int(one.sections["switching"]["number"]))
        last = None
        for number, one in enumerate(found, start=1):
            switching = one.sections["switching"]
            if switching["number"] != number or switching["follows"] != last:
                raise HistoryBroken(f"{one.path}: doesn't follow the sentence before it; is a lot missing?")
            last = one.seal["sha256"]
        return found

    def _whole(self, path: Path) -> Sealed:
        broken = broken_places(path)
        if broken:
            raise HistoryBroken(f"{path.parent}: {broken[0]}")
        sealed = open_sealed(path, (LOT_SCHEMA, RESUMPTION_SCHEMA))
        if sealed.schema == LOT_SCHEMA:
            self._check_ours(path, sealed.sections["lot"])
        return sealed

    def link(self) -> dict[str, Any]:
        """What ties the next sentence to the chain: its number, and the seal of the one before or None."""
        chain = self.chain
        return {"number": len(chain) + 1, "follows": chain[-1].seal["sha256"] if chain else None}

    def state(self, edition: Edition) -> State:
        """How inspection stands.

        Under another edition than before the stage stays and counts start anew; only reduced inspection goes back to
        normal, since that edition's conditions for it haven't been met.
        """
        chain = self.chain
        if not chain:
            return State(edition)
        state = state_from(chain[-1].sections["switching"]["after"])
        if state.edition == edition:
            return state
        return State(edition, Stage.NORMAL if state.stage is Stage.REDUCED else state.stage)

    def sentence_of(self, lot: str) -> str:
        """The sentence of a lot by its number, or an empty text where it has none."""
        found = (one.sections for one in self._sentences() if one.sections["lot"]["lot"] == lot)
        return next((str(sections["sentence"]["sentence"]) for sections in found), "")

    def _sentences(self) -> list[Sealed]:
        return [one for one in self.chain if one.schema == LOT_SCHEMA]

    def open_lots(self, *, but: Path) -> list[str]:
        """Folders of lots whose sample was drawn and that have no sentence yet, other than `but`."""
        return [
            folder.name
            for folder, events in self._ledgers()
            if folder != but and not (folder / LOT_FILE).exists() and any(one["event"] == "drawn" for one in events)
        ]

    def line_of(self, lot: str) -> set[str]:
        """A lot, the one that it resubmitted, and so on; nothing for no lot."""
        before = {one.sections["lot"]["lot"]: one.sections["lot"]["resubmits"] for one in self._sentences()}
        line: set[str] = set()
        while lot and lot not in line:
            line.add(lot)
            lot = before.get(lot, "")
        return line

    def tested(self, *, but: Path, resubmitted: Collection[str] = ()) -> dict[str, str]:
        """Units that have a record in another lot than the one in `but`, with that lot's number; those of the lots
        `resubmitted` aside."""
        found: dict[str, str] = {}
        for folder, events in self._ledgers():
            lot = events[0]["lot"]["lot"]
            if folder != but and lot not in resubmitted:
                found |= {event["serial"]: lot for event in events if event["event"] == "tested"}
        return found

    def _ledgers(self) -> Iterator[tuple[Path, tuple[Event, ...]]]:
        """Each lot's folder, and what its ledger says."""
        for path in sorted(self.folder.glob(f"*/{LEDGER_FILE}")):
            events = read_events(path, LEDGER_SCHEMA)
            self._check_ours(path, events[0]["lot"])
            yield path.parent, events

    def _check_ours(self, path: Path, lot: Mapping[str, Any]) -> None:
        if (lot["supplier"], lot["part"]) != (self.supplier, self.part):
            raise HistoryBroken(
                f"{path.parent}: is a lot of {lot['part']} from {lot['supplier']}; names that differ in signs alone "
                "can't share a folder"
            )

    @contextlib.contextmanager
    def drawing(self) -> Iterator[None]:
        """Held while a sample is drawn, so that no two lots begin in the belief that they are alone."""
        with FileLock(self.folder / ".drawing.lock"):
            yield

    def resume(self, *, action: str, operator: str) -> Path:
        """Note that the supplier has acted, so that inspection goes on, tightened; the path of the sealed note.

        Raises
        ------
        BadInput : inspection isn't discontinued.
        """
        chain = self.chain
        state = state_from(chain[-1].sections["switching"]["after"]) if chain else None
        if state is None or state.stage is not Stage.DISCONTINUED:
            raise BadInput(
                "there is nothing to resume",
                found=f"inspection is {state.stage.value if state else 'normal'}",
                allowed="after inspection was discontinued",
            )
        link = self.link()
        sections = {
            "resumption": {"action": action, "operator": operator},
            "switching": {**link, "before": plain_state(state), "after": plain_state(resumed(state))},
        }
        return write_sealed(self.folder / RESUMPTION_FILE.format(link["number"]), RESUMPTION_SCHEMA, sections)


_MOVES = {
    (Stage.NORMAL, Stage.TIGHTENED): "2 of 5 or fewer lots in a row weren't accepted",
    (Stage.TIGHTENED, Stage.NORMAL): "5 lots in a row were accepted",
    (Stage.TIGHTENED, Stage.DISCONTINUED): "5 lots weren't accepted since tightened inspection began; the supplier has "
    "to act first",
    (Stage.NORMAL, Stage.REDUCED): "the series of accepted lots is long enough, and reduction is wanted",
    (
        Stage.REDUCED,
        Stage.NORMAL,
    ): "a lot wasn't accepted or lay between Ac and Re, production isn't steady, or reduction isn't wanted any more",
}


def moved(before: State, after: State) -> str:
    """How inspection goes on, in a sentence."""
    if before.stage is after.stage:
        return f"Inspection stays {after.stage.value}."
    verb = "is discontinued" if after.stage is Stage.DISCONTINUED else f"goes on {after.stage.value}"
    return f"Inspection {verb}: {_MOVES[before.stage, after.stage]}."

"""Runs a whole plan on its bench outside pytest, and leaves the sealed record of it.

1. What moves, what is refused and what is recorded is as in a run of pytest: real parts move only where their bench is
   named, one process at a time owns them, and each procedure's end is in its journal.
2. A stop that came from the axis itself keeps later procedures from moving; the record says what was left out.
3. Ctrl-C, a signal and an error end in the safe state and in a record too; then they go their way.
"""

from __future__ import annotations

import contextlib
import secrets
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field, replace
from datetime import UTC, datetime
from pathlib import Path

from stepwitness.bench.arming import check_live, only_read
from stepwitness.bench.assembly import DEFAULT_SCALE, not_opened, open_bench
from stepwitness.bench.description import BenchDescription
from stepwitness.bench.live import Bench
from stepwitness.bench.lock import BenchLock, Owner, machine_folder
from stepwitness.bench.ways import way_to_stand_ins
from stepwitness.display import duration_text
from stepwitness.errors import BadInput
from stepwitness.plan.description import Plan
from stepwitness.procedures.acquisition import acquire
from stepwitness.records.bench_journal import BenchJournal
from stepwitness.records.manifest import journal_path, refuse_existing
from stepwitness.records.record import RunFacts, seal_record
from stepwitness.records.rendering import rendered
from stepwitness.records.run_folder import make_folder
from stepwitness.signals import StopSignals, what_ended
from stepwitness.site import NOTHING_SAID, SiteFacts


def conduct(
    plan: Plan,
    bench: BenchDescription,
    directory: Path,
    *,
    serial: str = "",
    live: str = "",
    over: str = "",
    scale: float = DEFAULT_SCALE,
    attempt: int = 1,
    previous: str | None = None,
    reason: str = "",
    site: SiteFacts = NOTHING_SAID,
    told: Callable[[str], None] = lambda _: None,
) -> Path:
    """Run every procedure of a plan and seal what came of it.

    Parameters
    ----------
    directory : the record's folder, made where it isn't there; no record may stand in it.
    serial : of the unit under test, where it isn't the one in the bench file.
    live : the bench's own name, where its real parts are to move. over, scale : as for `open_bench`.
    attempt, previous, reason : a later attempt, the id of the record before it, and why there is one.
    site : what only the site can say of this run; it wins over what bench and plan say.
    told : is given a line for whoever watches: each procedure as it begins, and a report that couldn't be drawn.

    Returns
    -------
    The path of the record. A bench that can't be opened leaves one too: all its limits are ABORTED.

    Raises
    ------
    BadInput : a bench that isn't armed and has no stand-in, or that `live` doesn't name; nothing moved.
    BenchInUse : another process has it; nothing moved.
    RecordError, JournalError : the folder can't be written, or holds a record already.
    SafeStateError : the axis couldn't be brought to its safe state; the record is there.
    KeyboardInterrupt : as it came, by Ctrl-C or a signal; the record of what was done is there.
    """
    if serial:
        bench = replace(bench, axis_serial=serial)
    if live:
        check_live(bench, (live,))
    elif bench.stand_in is None:
        raise BadInput(only_read(bench), place=bench.drive.place)
    refuse_existing(directory)
    id, started = secrets.token_hex(6), _now()
    course = _Course()
    failure: BaseException | None = None
    with _owned(bench, run=id, started=started, live=bool(live)):
        make_folder(directory)
        try:
            _acquire_all(
                plan,
                bench,
                directory,
                course,
                new_unit=attempt == 1,
                opening=lambda: open_bench(bench, live=(live,) if live else (), over=over, scale=scale),
                told=told,
            )
        except BadInput:  # somebody has to mend a file or an option: nothing was tried
            with contextlib.suppress(OSError):
                directory.rmdir()
            raise
        except BaseException as error:
            failure = error
            course.cut_short = what_ended(error)
    facts = RunFacts(
        id=_record_id(id, plan, attempt),
        started=started,
        ended=_now(),
        over="live" if live else way_to_stand_ins(bench, over),
        simulated=not live,
        partial_reason=course.cut_short,
        attempt=attempt,
        previous=previous,
        reason=reason,
        identities=course.identities,
        site=site,
    )
    record = seal_record(directory, plan, bench, facts)
    for trouble in rendered(directory)[1]:
        told(trouble)
    if failure is not None:
        raise failure
    return record


def seal_left_behind(
    plan: Plan,
    bench: BenchDescription,
    directory: Path,
    *,
    started: str,
    serial: str = "",
    live: str = "",
    over: str = "",
    attempt: int = 1,
    previous: str | None = None,
    reason: str = "",
    site: SiteFacts = NOTHING_SAID,
) -> Path | None:
    """Seal the journals of a run whose process died before it could; None where there are none.

    `started` : when, UTC, ISO 8601; the others as for `conduct`. What wasn't acquired to its end is ABORTED.
    """
    if not any(journal_path(directory, planned.id).exists() for planned in plan.procedures):
        return None
    facts = RunFacts(
        id=_record_id(secrets.token_hex(6), plan, attempt),
        started=started,
        ended=_now(),
        over="live" if live else way_to_stand_ins(bench, over),
        simulated=not live,
        partial_reason="the process that ran it died",
        attempt=attempt,
        previous=previous,
        reason=reason,
        site=site,
    )
    record = seal_record(directory, plan, replace(bench, axis_serial=serial or bench.axis_serial), facts)
    rendered(directory)
    return record


def _record_id(run: str, plan: Plan, attempt: int) -> str:
    return f"{run}-{plan.name}" + (f"-{attempt}" if attempt > 1 else "")


@dataclass
class _Course:
    """How a run went: what the parts said they are, and why later procedures were left out, or an empty text."""

    identities: dict[str, str] = field(default_factory=dict)
    cut_short: str = ""


@contextlib.contextmanager
def _owned(bench: BenchDescription, *, run: str, started: str, live: bool) -> Iterator[None]:
    """Signals lead out in good order meanwhile, and real parts belong to this process; stand-ins live in it anyway."""
    signals = StopSignals()
    owner = Owner.this_process(run, started=started)
    with BenchLock(bench.name, owner, machine_folder()) if live else contextlib.nullcontext():
        signals.watch()
        try:
            yield
        finally:
            signals.restore()


def _acquire_all(
    plan: Plan,
    bench: BenchDescription,
    directory: Path,
    course: _Course,
    *,
    new_unit: bool,
    opening: Callable[[], Bench],
    told: Callable[[str], None],
) -> None:
    """A journal for each procedure, up to the one after which the axis mustn't move again."""
    try:
        opened = opening()
    except BadInput:
        raise
    except Exception as error:
        cause = str(not_opened(bench, error))
        for planned in plan.procedures:
            with BenchJournal(journal_path(directory, planned.id), planned, bench, None) as journal:
                journal.end("aborted", cause)
        return
    with opened:
        course.identities = dict(opened.identities)
        for planned in plan.procedures:
            forecast = planned.procedure.check(bench, planned.settings)
            told(f"{planned.id}: {forecast.phrase}, {duration_text(forecast.duration_s)} on the axis")
            preparation = plan.preparation(first=planned is plan.procedures[0], new_unit=new_unit)
            with BenchJournal(journal_path(directory, planned.id), planned, bench, opened.clock) as journal:
                acquire(opened, planned, journal, preparation=preparation)
            if opened.stopped:
                course.cut_short = f"the axis wasn't moved again after '{planned.id}' was aborted: {opened.stopped}"
                return


def _now() -> str:
    return datetime.now(UTC).isoformat(timespec="seconds")

"""Runs a procedure so that every way out leaves the axis safe and the journal ended."""

from __future__ import annotations

import contextlib
from typing import Any, Protocol

from stepwitness.bench.errors import Aborted, SafeStateError
from stepwitness.bench.live import Bench
from stepwitness.bench.sampler import Incomplete, Sweep
from stepwitness.errors import StepwitnessError
from stepwitness.procedures.common import told, witnesses
from stepwitness.procedures.preparation import UNPREPARED, Preparation, prepare
from stepwitness.procedures.procedure import Journal, Procedure

INCOMPLETE = "incomplete"
"""Table of the sweep that broke a procedure off, with the reason in place of the reading that it lacks."""
EXCHANGES = "exchanges"
"""Table of the last exchanges with the parts of a procedure that was aborted; secrets were taken out by their logs."""


class Planned(Protocol):
    """A procedure with its settings, as a plan or a fixture gives it."""

    @property
    def procedure(self) -> Procedure: ...

    @property
    def settings(self) -> Any: ...


class EndingJournal(Journal, Protocol):
    """A journal that takes an outcome as its last line."""

    def end(self, outcome: str, cause: str = "") -> None: ...


def acquire(bench: Bench, planned: Planned, journal: EndingJournal, *, preparation: Preparation = UNPREPARED) -> None:
    """Run `planned`, prepared as its plan says, and end its journal with ``done`` or ``aborted`` and the cause.

    Only what stops the whole run (Ctrl-C, a signal, the interpreter's exit) is raised again; everything else is a
    cause in the journal, and the findings say ABORTED. A stop that came from the axis itself (a stall that nobody
    provoked, a stop circuit that opened, a safe state that wasn't reached) also keeps later procedures from moving.
    """
    try:
        prepare(bench, preparation, journal)
        planned.procedure.run(bench, planned.settings, journal)
        bench.to_safe_state()
        journal.end("done")
    except BaseException as error:
        cause = str(error) if isinstance(error, StepwitnessError) else _named(error)
        if isinstance(error, (Aborted, SafeStateError)):
            bench.stopped = bench.stopped or cause
        bench.drive.referenced = False  # an abrupt stop may have cost steps, or the drive its zero
        try:
            bench.to_safe_state()
        except StepwitnessError as failure:
            cause = cause if str(failure) in cause else f"{cause}; {failure}"
            bench.stopped = bench.stopped or cause
        finally:
            if isinstance(error, Incomplete):
                _keep(error.sweep, journal)
            with contextlib.suppress(StepwitnessError):  # a journal that can't take them may still take its end
                _keep_exchanges(bench, journal)
            journal.end("aborted", cause)
        if not isinstance(error, Exception):
            raise


def _keep(sweep: Sweep, journal: EndingJournal) -> None:
    """Write the sweep that broke off; it is committed with the end."""
    journal.write(INCOMPLETE, {**witnesses(sweep), "current_a": told(sweep, "current_a")})


def _keep_exchanges(bench: Bench, journal: EndingJournal) -> None:
    """Write what was last said to each part and heard from it, the way to the safe state included."""
    for role, exchange in bench.exchanges():
        journal.write(
            EXCHANGES,
            {
                "part": role,
                "asked_s": exchange.asked_s,
                "took_s": exchange.ended_s - exchange.asked_s,
                "sent": exchange.sent,
                "heard": " | ".join(exchange.heard),
                "answered": exchange.answered,
            },
        )


def _named(error: BaseException) -> str:
    if isinstance(error, KeyboardInterrupt):
        return "interrupted by the operator"
    return f"{type(error).__name__}: {error}"

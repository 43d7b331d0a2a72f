"""Every procedure by its name: ours, and those that other distributions add by entry point."""

from __future__ import annotations

from functools import cache
from importlib.metadata import entry_points

from stepwitness.errors import StepwitnessError
from stepwitness.procedures import backlash, check_standard, repeatability, screw_errors, stall_recovery, thermal_drift
from stepwitness.procedures.procedure import Procedure

GROUP = "stepwitness.procedures"


@cache
def procedures() -> dict[str, Procedure]:
    """Procedures by name.

    Raises
    ------
    StepwitnessError : where an installed distribution names a procedure that can't be loaded, or one of our names.
    """
    ours = (check_standard, repeatability, backlash, screw_errors, thermal_drift, stall_recovery)
    known = {module.PROCEDURE.name: module.PROCEDURE for module in ours}
    for entry in entry_points(group=GROUP):
        try:
            added = entry.load()
        except Exception as error:  # a broken distribution is the user's to mend; name it
            raise StepwitnessError(f"the procedure '{entry.name}' ({entry.value}) can't be loaded: {error}") from error
        if not isinstance(added, Procedure) or added.name in known:
            raise StepwitnessError(f"the entry point '{entry.name}' ({entry.value}) isn't a procedure of a new name")
        known[added.name] = added
    return known

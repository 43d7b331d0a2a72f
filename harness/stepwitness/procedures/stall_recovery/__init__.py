"""Stall recovery, the whole loop: claim, detection, repositioning, fault reaction, standstill.

1. Only a stall that this procedure provoked is corrected. Any other ends the run in the safe state.
2. A drive that counts its own pulses believes that it has arrived, so its position is set to the counted one, read
   again after every change of current, before a new target is sent.
3. Where the drive closes the loop itself, its functions are judged; otherwise the harness closes the loop, and every
   statement says which of the two was tested.

Settings and characteristics stand in `declared`, motion in `run`, arithmetic in `evaluate`.
"""

from stepwitness.procedures.procedure import Procedure
from stepwitness.procedures.stall_recovery.declared import CHARACTERISTICS, Settings, check, foresee, most
from stepwitness.procedures.stall_recovery.evaluate import evaluate
from stepwitness.procedures.stall_recovery.run import run

PROCEDURE = Procedure(
    name="stall_recovery",
    title="stall recovery",
    version="2",
    settings=Settings,
    characteristics=CHARACTERISTICS,
    check=check,
    run=run,
    evaluate=evaluate,
    foresee=foresee,
    most=most,
)

"""A bench in use: one travel for all witnesses, the order in which it wakes up, and every way out of it."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import pytest

from stepwitness.bench import motion
from stepwitness.bench.description import BenchDescription, Part, Reference, ReferenceMethod
from stepwitness.bench.errors import EnvelopeError, SafeStateError
from stepwitness.bench.live import Bench, Parts
from stepwitness.devices.errors import LinkLost

STEP_M = 1e-5


def test_wakes_a_vertical_axis_before_its_brake_lets_go(rigged: Any, lift: BenchDescription) -> None:
    """Energised first, then the brake: the load doesn't drop by a count."""
    rig = rigged(lift)
    before_m = rig.load_m()
    rig.bench.make_ready()
    assert rig.bench.drive.status().enabled
    assert not rig.bench.brake.is_closed()
    assert rig.stays_put()
    assert rig.load_m() == pytest.approx(before_m, abs=5e-6)


def test_the_other_order_would_drop_it(rigged: Any, lift: BenchDescription) -> None:
    """What the order is for; without this the test above could not fail."""
    rig = rigged(lift)
    before_m = rig.load_m()
    rig.bench.brake.open()
    rig.clock.sleep(0.1)
    assert rig.load_m() < before_m - 1e-4


def test_a_brake_that_let_the_load_creep_isnt_opened(rigged: Any, lift: BenchDescription) -> None:
    rig = rigged(lift)
    rig.bench.make_ready()
    rig.bench.to_safe_state()
    rig.rig.push(-3000.0)
    rig.clock.sleep(0.005)
    rig.rig.push(0.0)
    rig.clock.sleep(0.2)
    with pytest.raises(SafeStateError, match=r"the load moved \d+ µm while the brake was closed"):
        rig.bench.make_ready()
    assert rig.bench.brake.is_closed()


def test_a_brake_that_opens_on_a_motor_that_doesnt_hold_is_closed_again(rigged: Any, lift: BenchDescription) -> None:
    """The drive says that it is energised, and gives no current."""
    rig = rigged(lift)
    rig.rig.supply_on = False
    before_m = rig.load_m()
    with pytest.raises(SafeStateError, match="as the brake opened, with the motor energised"):
        rig.bench.make_ready()
    assert rig.bench.brake.is_closed()
    assert rig.stays_put()
    assert before_m - rig.load_m() < 0.02, "caught within its closing delay and a look; it had 60 mm to fall"


def test_takes_the_counted_position_for_the_claim_once_it_was_off(rigged: Any, doser: BenchDescription) -> None:
    """Turned by hand while de-energised, the axis isn't where the drive believes."""
    rig = rigged(doser, start_m=0.004)
    motion.prepare(rig.bench, speed_m_per_s=0.02)
    rig.bench.drive.disable()
    rig.rig.shaft_torque(0.2)
    rig.clock.sleep(0.005)
    rig.rig.shaft_torque(0.0)
    rig.clock.sleep(0.2)
    away_m = rig.bench.witnessed_travel_m() - rig.bench.sweep().claim_m
    assert abs(away_m) > 10 * STEP_M
    rig.bench.make_ready()
    rig.clock.sleep(0.2)
    sweep = rig.bench.sweep()
    assert abs(sweep.claim_m - sweep.counted_m) < 3 * STEP_M  # the rotor then snaps to the nearest equilibrium


def test_a_datum_moves_every_zero_there(rigged: Any, doser: BenchDescription) -> None:
    rig = rigged(doser, start_m=0.017)
    rig.bench.make_ready()
    rig.bench.set_datum(0.025)
    sweep = rig.bench.sweep()
    assert sweep.claim_m == pytest.approx(0.025, abs=1e-9)
    assert sweep.counted_m == pytest.approx(0.025, abs=1e-9)
    assert sweep.gauge_m == pytest.approx(0.025, abs=1e-6)
    assert rig.load_m() == pytest.approx(0.017, abs=1e-5)


def test_the_best_witness_is_asked(rigged: Any, doser: BenchDescription) -> None:
    """Counter, else gauge, else the drive: starved, the first two see that nothing moved, the last believes itself."""
    datum = Reference(ReferenceMethod.DATUM, 0.03)
    no_counter = replace(doser, counter=None, axis=replace(doser.axis, encoder=None))
    for description, moved_m in ((doser, 0.0), (no_counter, 0.0), (replace(no_counter, gauge=None), 0.005)):
        rig = rigged(replace(description, reference=datum))
        motion.prepare(rig.bench, speed_m_per_s=0.006)
        rig.bench.drive.set_run_current(0.05)
        rig.bench.drive.set_hold_current(0.05)
        rig.bench.drive.start_move_by(round(0.005 / 6.25e-7))
        motion.wait_for_rest(rig.bench)
        assert rig.bench.witnessed_travel_m() == pytest.approx(0.03 + moved_m, abs=2e-5)


def test_claims_what_was_counted_to_the_nearest_microstep(rigged: Any, doser: BenchDescription) -> None:
    rig = rigged(doser, start_m=0.017)
    rig.bench.make_ready()
    rig.bench.set_datum(0.0)
    rig.bench.drive.set_position(5000)
    rig.bench.claim_what_was_counted()
    assert rig.bench.drive.position() == 0


def test_settings_are_in_travel(rigged: Any, doser: BenchDescription) -> None:
    rig = rigged(doser)
    rig.bench.set_speed(0.03)
    with pytest.raises(EnvelopeError):
        rig.bench.set_speed(0.031)
    with pytest.raises(EnvelopeError):
        rig.bench.set_acceleration(0.51)


def test_says_who_its_parts_are(rigged: Any, doser: BenchDescription) -> None:
    identities = rigged(doser).bench.identities
    assert set(identities) == {"drive", "counter", "gauge"}, "inputs can't tell"
    assert identities["drive"] == "stepwitness stand-in drive seed 417"


def test_knows_a_drive_that_closes_its_own_loop(rigged: Any, doser: BenchDescription) -> None:
    assert rigged(doser).bench.loop is None
    assert rigged(replace(doser, drive=Part("stand-in", {"loop": "closed"}))).bench.loop is not None


# -- the way out ---------------------------------------------------------------------------------------------


class Broken:
    """A drive whose link is gone."""

    def __getattr__(self, name: str) -> Any:
        def told(*_: Any) -> None:
            raise LinkLost(f"the port is gone ({name})")

        if name == "identity":
            raise AttributeError(name)
        return told


def _broken(rigged: Any, description: BenchDescription, released: list[str]) -> Bench:
    drive: Any = Broken()
    clock = rigged(description).clock
    parts = Parts(drive=drive)
    return Bench(description, parts, clock, simulated=False, over="live", release=lambda: released.append("released"))


def test_closing_brings_the_safe_state_and_lets_go_once(rigged: Any, lift: BenchDescription) -> None:
    rig = rigged(lift)
    with rig.bench:
        rig.bench.make_ready()
    assert not rig.bench.drive.status().enabled
    assert rig.bench.brake.is_closed()
    rig.bench.drive.enable()
    rig.bench.close()
    rig.bench.to_safe_state()
    assert rig.bench.drive.status().enabled, "a closed bench is nobody's to command"


def test_lets_go_of_the_parts_even_where_the_safe_state_fails(rigged: Any, doser: BenchDescription) -> None:
    released: list[str] = []
    bench = _broken(rigged, doser, released)
    with pytest.raises(SafeStateError, match="the port is gone"):
        bench.close()
    bench.close()
    assert released == ["released"]


def test_what_went_wrong_first_stays_the_error(rigged: Any, doser: BenchDescription) -> None:
    released: list[str] = []
    with pytest.raises(ZeroDivisionError) as caught, _broken(rigged, doser, released):
        _ = 1 / 0
    assert any("the safe state was not reached" in note for note in caught.value.__notes__)
    assert released == ["released"]


def test_a_safe_state_that_fails_is_an_error_by_itself(rigged: Any, doser: BenchDescription) -> None:
    with pytest.raises(SafeStateError), _broken(rigged, doser, []):
        pass

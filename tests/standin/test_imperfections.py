"""What is wrong with a real axis beyond friction and play: each imperfection at the size that its number says."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import replace
from fractions import Fraction

import pytest

from stepwitness.axis import Axis, Decoding, Encoder, Mounting
from stepwitness.devices.clock import VirtualClock
from stepwitness.standin.encoder import EncoderTrack, QuadratureDecoder
from stepwitness.standin.instruments import GaugeReading
from stepwitness.standin.parameters import EncoderPhysics, GaugePhysics, LoadPhysics, StandIn
from stepwitness.standin.plant import Plant
from stepwitness.standin.presets import preset
from stepwitness.standin.rig import Rig
from stepwitness.standin.screw import dead_band_m

Change = Callable[..., StandIn]
RATED_A = 1.2


def damped(ideal: StandIn, **motor: float) -> StandIn:
    return replace(ideal, motor=replace(ideal.motor, viscous_nms=0.02, **motor))


def send(plant: Plant, pulses: int, *, interval_s: float = 2e-3, rest_s: float = 0.3) -> None:
    start_s = plant.time_s
    plant.set_pulses([start_s + (k + 1) * interval_s for k in range(abs(pulses))], forward=pulses > 0)
    plant.advance(start_s + abs(pulses) * interval_s + rest_s)


def resting_angle(plant: Plant, pulses: int) -> float:
    """Electrical angle at which an undisturbed rotor comes to rest."""
    plant.set_amplitude(RATED_A)
    plant.advance(0.2)
    send(plant, pulses)
    return 50.0 * plant.rotor_rad


# -- windings and regulator --------------------------------------------------------------------------------------------


@pytest.mark.parametrize("share", [0.9, 1.1])
def test_phase_imbalance_shifts_microsteps(doser: Axis, ideal: StandIn, share: float) -> None:
    """First principles: the rotor points along the field, whose sine is scaled: tan = share tan(command)."""
    angle = resting_angle(Plant(doser, damped(ideal, phase_b_share=share)), 8)
    assert angle == pytest.approx(math.atan(share), abs=1e-6)


def test_table_errors_shift_microsteps(doser: Axis, ideal: StandIn) -> None:
    """First principles: the field's direction with a third harmonic added to both currents."""
    error, command = 0.05, 2 * math.pi * 5 / 64
    angle = resting_angle(Plant(doser, damped(ideal, table_error=error)), 5)
    expected = math.atan2(
        math.sin(command) - error * math.sin(3 * command), math.cos(command) + error * math.cos(3 * command)
    )
    assert angle == pytest.approx(expected, abs=1e-6)
    assert abs(angle - command) > 0.01


def test_a_lost_winding_turns_nothing_but_still_draws_current(doser: Axis, changed: Change) -> None:
    stand_in = changed(preset("doser"), motor={"phase_b_share": 0.0})
    plant = Plant(doser, stand_in)
    plant.set_amplitude(RATED_A)
    plant.advance(0.1)
    send(plant, 16_000, interval_s=1e-4)
    assert plant.currents_a[1] == 0.0
    assert plant.currents_a[0] == pytest.approx(RATED_A)
    assert abs(plant.rotor_rad) / (2 * math.pi) < 0.5


def test_a_regulator_s_lag_is_a_first_order_rise(doser: Axis, ideal: StandIn) -> None:
    stand_in = replace(ideal, motor=replace(ideal.motor, regulator_lag_s=1e-4, supply_v=1e6))
    plant = Plant(doser, stand_in, step_s=1e-6)
    plant.set_amplitude(1.0)
    for age_s in (5e-5, 1e-4, 3e-4):
        plant.advance(age_s)
        assert plant.currents_a[0] == pytest.approx(1 - math.exp(-age_s / 1e-4), abs=0.01)
    plant.advance(0.01)
    assert plant.currents_a[0] == 1.0


def test_a_regulator_s_lag_lowers_pull_out_speed(doser: Axis, changed: Change) -> None:
    """Current that trails the command by w tau leaves less torque at speed: with 100 us about a fifth less speed, as
    prototypes of a plainer model had it; no closed form."""

    def fastest(lag_s: float) -> float:
        stand_in = changed(preset("doser"), motor={"regulator_lag_s": lag_s})
        for speed in range(20, 200, 5):
            clock = VirtualClock()
            rig = Rig(doser, stand_in, clock)
            drive = rig.drive()
            drive.enable()
            drive.set_speed(speed * 1600.0)
            drive.set_acceleration(2000.0 * 1600.0)
            drive.start_move_by(12 * 1600)
            clock.sleep(12 / speed + speed / 2000.0 + 0.3)
            if rig.truth().slipped_full_steps:
                return speed - 5.0
        raise AssertionError("no pull-out up to 200 mm/s")

    assert 0.7 < fastest(1e-4) / fastest(0.0) < 0.9


@pytest.mark.parametrize(("skip", "lag_s"), [(True, 1e-4), (False, 1e-4)])
def test_a_lagging_regulator_comes_to_rest_too(doser: Axis, changed: Change, skip: bool, lag_s: float) -> None:
    stand_in = changed(preset("doser"), motor={"regulator_lag_s": lag_s})
    plant = Plant(doser, stand_in, skip_rest=skip)
    plant.set_amplitude(RATED_A)
    plant.advance(0.1)
    send(plant, 100)
    assert plant.at_rest
    assert math.hypot(*plant.currents_a) == pytest.approx(RATED_A, rel=1e-8)


# -- screw and coupling ----------------------------------------------------------------------------------------------


def test_a_bent_screw_drags_more_on_one_side_of_the_turn(doser: Axis, changed: Change) -> None:
    stand_in = changed(preset("doser"), screw={"drag_wave": 0.5, "drag_static_ratio": 1.0}, load={"friction_n": 0.0})
    torque_nm = stand_in.screw.drag_torque_nm
    for microsteps, holds in ((0, True), (1600, False)):
        plant = Plant(doser, stand_in)
        plant.set_amplitude(RATED_A)
        plant.advance(0.1)
        send(plant, microsteps, interval_s=2e-4)
        plant.set_amplitude(0.0)
        plant.advance(plant.time_s + 0.1)
        before = plant.rotor_rad
        plant.set_shaft_torque(1.2 * torque_nm)
        plant.advance(plant.time_s + 0.05)
        assert (plant.rotor_rad == before) is holds


def test_coupling_slack_adds_to_the_reversal_at_the_load_and_not_at_the_motor(doser: Axis, changed: Change) -> None:
    """Closed form: slack times lead, on top of the nut's own dead band."""
    slack_turns = 0.01
    stand_in = changed(
        preset("doser"),
        screw={"coupling_slack_turns": slack_turns},
        load={"static_ratio": 1.0},
        gauge={"measuring_force_n": 0.0},
    )
    plant = Plant(doser, stand_in)
    plant.set_amplitude(RATED_A)
    plant.set_viscous(0.05)
    plant.advance(0.1)
    behind = []
    for pulses in (300, -300):
        send(plant, pulses, interval_s=4e-3)
        rotor_m = plant.rotor_rad * 2e-3 / (2 * math.pi)
        behind.append(rotor_m - plant.load_m)
    nut = dead_band_m(
        friction_n=4.0,
        external_n=0.0,
        stiffness_n_per_m=stand_in.screw.stiffness_n_per_m,
        backlash_m=stand_in.screw.backlash_m,
    )
    assert behind[0] - behind[1] == pytest.approx(nut + slack_turns * 2e-3, abs=1e-12)


def lifted(axis: Axis, changed: Change, slack_turns: float) -> Plant:
    stand_in = changed(
        preset("plate-lift"),
        screw={"coupling_slack_turns": slack_turns},
        load={"static_ratio": 1.0},
        gauge={"measuring_force_n": 0.0},
    )
    plant = Plant(axis, stand_in)
    plant.set_amplitude(2.0)
    plant.set_viscous(0.05)
    plant.advance(0.2)
    return plant


def test_a_load_that_turns_its_screw_keeps_the_slack_closed(plate_lift: Axis, changed: Change) -> None:
    """It rests on one flank through every reversal, so that the slack never shows."""
    places = {}
    for slack_turns in (0.0, 0.01):
        plant = lifted(plate_lift, changed, slack_turns)
        assert plant.load_m == pytest.approx(0.06, abs=2e-6)
        places[slack_turns] = []
        for pulses in (640, -640, -640, 640):
            send(plant, pulses)
            places[slack_turns].append(plant.load_m)
    assert places[0.01] == pytest.approx(places[0.0], abs=1e-9)


def test_a_hand_that_lifts_such_a_load_takes_it_through_slack_and_play(plate_lift: Axis, changed: Change) -> None:
    """From flank to flank: slack times lead, the clearance, and (F1 + F2) / k of give on the way."""
    plant = lifted(plate_lift, changed, 0.01)
    rotor_rad, low_m = plant.rotor_rad, plant.load_m
    weight_n, hand_n, friction_n = 3.0 * 9.80665, 120.0, 6.0
    plant.set_external_force(hand_n)
    plant.advance(plant.time_s + 0.5)
    give_m = (weight_n + (hand_n - weight_n - friction_n)) / 4e7
    backed_m = (plant.rotor_rad - rotor_rad) * 5e-3 / (2 * math.pi)
    assert backed_m > 1e-7
    assert plant.load_m - low_m - backed_m == pytest.approx(0.01 * 5e-3 + 4e-6 + give_m, abs=3e-7)
    plant.set_external_force(0.0)
    plant.advance(plant.time_s + 0.5)
    assert plant.load_m == pytest.approx(low_m, abs=1e-6)


# -- encoder and counter -----------------------------------------------------------------------------------------------


def track(physics: EncoderPhysics, *, rotary: bool = False, scale: float = 1.0) -> EncoderTrack:
    return EncoderTrack(
        decoder=QuadratureDecoder(Decoding.X4),
        physics=replace(physics, phase=0.0),
        states_per_unit=scale,
        origin=0.0,
        rotary=rotary,
        seed="1",
    )


def edges(physics: EncoderPhysics, *, upto: float = 8.0, fine: int = 4000) -> list[float]:
    """Places at which the counts change on the way up."""
    rising, found = track(physics), []
    for index in range(1, round(upto * fine) + 1):
        before = rising.decoder.counts
        rising.move_to(index / fine)
        found += [index / fine] * (rising.decoder.counts - before)
    return found


@pytest.mark.parametrize(
    ("physics", "expected"),
    [
        (EncoderPhysics(), [1, 2, 3, 4, 5, 6, 7, 8]),
        (EncoderPhysics(phase_error=0.05), [0.2, 1, 2.2, 3, 4.2, 5, 6.2, 7]),
        (EncoderPhysics(phase_error=-0.05), [1, 1.8, 3, 3.8, 5, 5.8, 7, 7.8]),
        (EncoderPhysics(duty_error=0.1), [1, 2, 3.4, 4, 5, 6, 7.4, 8]),
    ],
)
def test_duty_and_phase_errors_move_edges(physics: EncoderPhysics, expected: list[float]) -> None:
    """By their shares of a line, of four states each."""
    assert edges(physics)[: len(expected)] == pytest.approx(expected, abs=1e-3)


def test_uneven_edges_lose_nothing_there_and_back() -> None:
    uneven = track(EncoderPhysics(phase_error=0.07, duty_error=-0.05))
    start = uneven.decoder.counts
    for place in (1234.5, -77.3, 500.0, 0.0):
        uneven.move_to(place)
    assert abs(uneven.decoder.counts - start) <= 1
    assert uneven.decoder.faults == 0


def test_eccentricity_is_an_error_once_a_turn() -> None:
    """Amplitude in turns times states a turn, greatest at a quarter turn and gone after a half."""
    per_turn = 2000.0
    turning = track(EncoderPhysics(eccentricity_turns=0.002), rotary=True, scale=per_turn / (2 * math.pi))
    for quarter, error in ((1, 4.0), (2, 0.0), (3, -4.0), (4, 0.0)):
        turning.move_to(quarter * math.pi / 2)
        assert turning.decoder.counts == pytest.approx(quarter * 500 + error, abs=1)


def test_a_counter_that_is_outrun_loses_counts(doser: Axis, changed: Change) -> None:
    """At 30 mm/s edges come every 33 us; at 5 mm/s every 200."""
    stand_in = changed(preset("doser"), encoder={"shortest_edge_s": 6e-5})
    lost = []
    for speed in (5.0, 30.0):
        clock = VirtualClock()
        rig = Rig(doser, stand_in, clock)
        drive, counter = rig.drive(), rig.counter()
        drive.enable()
        drive.set_speed(speed * 1600.0)
        drive.set_acceleration(500.0 * 1600.0)
        drive.start_move_by(16_000)
        while drive.status().moving:
            clock.sleep(0.002)
        clock.sleep(0.2)
        lost.append(10_000 - counter.counts())
    assert abs(lost[0]) <= 1
    assert lost[1] > 100


def test_a_counter_that_looks_often_enough_is_not_outrun() -> None:
    looked_at, whole = track(EncoderPhysics(shortest_edge_s=1e-5)), track(EncoderPhysics())
    looked_at.move_to(100.0, seconds=2e-3)
    whole.move_to(100.0)
    assert looked_at.decoder.counts == whole.decoder.counts
    looked_at.move_to(400.0, seconds=1e-3)
    assert looked_at.decoder.counts < 400


@pytest.mark.parametrize(("physics", "ratio"), [({"lines": 400}, 0.8), ({"decoding": 2}, 0.5), ({"decoding": 1}, 0.25)])
def test_what_is_set_wrong_scales_the_counts(
    doser: Axis, changed: Change, physics: dict[str, int], ratio: float
) -> None:
    assert doser.encoder is not None
    plant = Plant(doser, changed(preset("doser"), encoder=physics))
    decoder = plant.watch(doser.encoder, seed="counter")
    plant.set_amplitude(RATED_A)
    plant.advance(0.1)
    send(plant, 3200, interval_s=2e-4)
    assert decoder.counts == pytest.approx(2000 * ratio, abs=1.5)


def test_wrong_microsteps_scale_the_travel(doser: Axis, changed: Change) -> None:
    clock = VirtualClock()
    rig = Rig(doser, changed(preset("doser"), microsteps=8), clock)
    drive = rig.drive()
    drive.set_speed(8000.0)
    drive.enable()
    drive.start_move_by(1600)
    clock.sleep(1.0)
    truth = rig.truth()
    assert truth.load_m - 0.03 == pytest.approx(2e-3, abs=1e-5)
    assert (truth.pulses, truth.slipped_full_steps) == (1600, 0)


def test_an_index_pulse_latches_counts_once_a_turn(doser: Axis) -> None:
    plant = Plant(doser, preset("doser"))
    assert doser.encoder is not None
    decoder = plant.watch(doser.encoder, seed="counter")
    plant.set_amplitude(RATED_A)
    plant.advance(0.1)
    assert decoder.index_counts is None
    latched = []
    for pulses in (1600, 3200, 3200, -1600, -6400):
        send(plant, pulses, interval_s=1e-4)
        latched.append(decoder.index_counts)
    # A quarter turn after power-up, then after each turn; the same pulse on the way down.
    assert latched == [500, 2500, 4500, 4500, 500]


def test_an_index_pulse_tells_how_many_edges_were_missed(doser: Axis, changed: Change) -> None:
    plant = Plant(doser, changed(preset("doser"), encoder={"missed_edge": 2e-3}))
    assert doser.encoder is not None
    decoder = plant.watch(doser.encoder, seed="counter")
    plant.set_amplitude(RATED_A)
    plant.advance(0.1)
    send(plant, 16_000, interval_s=1e-4)
    assert decoder.index_counts is not None
    missed = 500 + 4 * 2000 - decoder.index_counts
    # A missed edge costs two: the next one makes no legal transition either.
    assert missed == pytest.approx(2 * decoder.faults, abs=4)
    assert decoder.faults > 5


def test_the_counter_part_hands_out_its_index(doser: Axis) -> None:
    clock = VirtualClock()
    rig = Rig(doser, preset("doser"), clock)
    drive, counter = rig.drive(), rig.counter()
    drive.set_speed(16_000.0)
    drive.enable()
    assert counter.index_counts() is None
    drive.start_move_by(3200)
    clock.sleep(1.0)
    assert counter.index_counts() == 500


# -- gauge -----------------------------------------------------------------------------------------------------------


def gauge(guide: LoadPhysics | None = None, **physics: float) -> GaugeReading:
    clean = GaugePhysics(resolution_m=0.0, noise_m=0.0, zero_at_m=0.0, range_m=0.1)
    return GaugeReading(
        replace(clean, **physics), guide=guide or LoadPhysics(), sense=1, seed="1", load_m=0.03, time_s=0.0
    )


def test_a_spindle_with_play_reads_short_on_reversal() -> None:
    spindle = gauge(hysteresis_m=2e-6)
    spindle.follow([], 0.04, 1.0)
    up_m = spindle.read(1.0)
    spindle.follow([0.05], 0.04, 2.0)
    assert spindle.read(2.0) - up_m == pytest.approx(2e-6, abs=1e-15)


def test_a_tilted_gauge_reads_its_cosine() -> None:
    assert gauge(tilt_turns=2.0 / 360.0).read(0.0) == pytest.approx(0.03 * math.cos(math.radians(2.0)), rel=1e-12)


def test_a_gauge_beside_the_nut_s_line_sees_the_carriage_pitch() -> None:
    """Abbe: offset times the tangent of the pitch where the carriage stands."""
    guide = LoadPhysics(pitch_turns=1e-4, pitch_period_m=0.08)
    for place_m in (0.01, 0.02, 0.05):
        offset = gauge(guide, abbe_offset_m=0.05)
        offset.follow([], place_m, 1.0)
        pitch_rad = 2 * math.pi * 1e-4 * math.sin(2 * math.pi * place_m / 0.08)
        assert offset.read(1.0) - place_m == pytest.approx(0.05 * math.tan(pitch_rad), abs=1e-15)
    assert gauge(guide).read(0.0) == pytest.approx(0.03, abs=1e-15)


def test_a_gauge_drifts_while_it_warms_up() -> None:
    drifting = gauge(drift_m=4e-6, drift_settle_s=600.0)
    for time_s in (0.0, 600.0, 1e6):
        assert drifting.read(time_s) - 0.03 == pytest.approx(4e-6 * (1 - math.exp(-time_s / 600)), abs=1e-15)


def test_an_old_reading_is_where_the_load_was(doser: Axis, changed: Change) -> None:
    """At 20 mm/s and 5 ms it trails by 0.1 mm, however long the bench waited between two questions."""
    stand_in = changed(preset("doser"), gauge={"lag_s": 5e-3, "noise_m": 0.0})
    for pause_s in (1e-3, 0.15):
        clock = VirtualClock()
        rig = Rig(doser, stand_in, clock)
        drive, reading = rig.drive(), rig.gauge()
        drive.enable()
        drive.set_speed(20 * 1600.0)
        drive.set_acceleration(500 * 1600.0)
        drive.start_move_by(16_000)
        while clock.now() < 0.25:
            clock.sleep(pause_s)
            shown_m = reading.travel_m() + stand_in.gauge.zero_at_m
        true_m = rig.truth().load_m - 20e-3 * stand_in.exchange_s / 2
        assert true_m - shown_m == pytest.approx(1e-4, abs=2e-6)
        clock.sleep(2.0)
        assert reading.travel_m() + stand_in.gauge.zero_at_m == pytest.approx(rig.truth().load_m, abs=1e-7)


def test_a_load_encoder_knows_no_eccentricity(doser: Axis, changed: Change) -> None:
    plant = Plant(doser, changed(preset("doser"), encoder={"eccentricity_turns": 0.01}))
    scale = Encoder(Fraction(250_000), Decoding.X4, Mounting.LOAD)
    decoder = plant.watch(scale, seed="counter")
    plant.set_amplitude(RATED_A)
    plant.advance(0.1)
    send(plant, 400)
    assert decoder.counts == pytest.approx((plant.load_m - 0.03) * 1e6, abs=1.0)

"""The plant's equations of motion, integrated: one plain function over flat sequences of numbers.

1. Drift-kick-drift leapfrog (second order) with steps that end on each pulse; winding currents by their exact
   exponential under a regulator that has +-supply volts to spend, their mean over the step for the torque.
2. Friction sticks by projection: a rotor at rest stays exactly at rest until the torque beats static friction. The
   load behind the nut is a play operator with elasticity, so clearance needs no stiff contact.
3. Where rotor, load and currents rest, time is skipped to the next pulse; the state is the one that integrating
   would have given.
4. What happens on the way (turning, rest, slips, contacts) is recorded as events at the step in which it happens, so
   that nobody has to sample the plant to find it.

Everything is a float, also indices and counts, and everything that the function needs comes in by argument, so that
the same source runs as it is and can be compiled. Angles in radians since power-up, travel in metres.
"""

from __future__ import annotations

from collections.abc import MutableSequence, Sequence
from math import cos, exp, sin, sqrt

# Slots of `state`.
TIME = 0  # s
ROTOR = 1  # rad
SPEED = 2  # rad/s
CURRENT_A = 3  # A
CURRENT_B = 4  # A
LOAD = 5  # m
LOAD_WAY = 6  # +1 or -1 while the load slides, 0 while it sticks
TABLE_INDEX = 7  # microstep in the electrical period
NEXT_PULSE = 8  # index into `pulses`
REFERENCE_A = 9  # A, what the regulator aims at; the table's value unless it lags
REFERENCE_B = 10
SCREW = 11  # rad, behind the coupling
BUS_V = 12  # V, what the supply's capacitors stand at; 0 until the first call
PULL = 13  # N m of the windings in the last step
FLANK = 14  # +1 or -1: the flank on which the nut last pushed the load, 0 before any
AT_STOP = 15  # +1 or -1 while the load touches the stop there
STATE_SIZE = 16

# Kinds of events.
TURNED = 0.0  # the rotor turns back
RESTED = 1.0  # the rotor comes to rest
SLIPPED_UP = 2.0  # the rotor gains an electrical period on its command
SLIPPED_DOWN = 3.0  # the rotor loses one
MET_STOP = 4.0  # the load comes to an end stop
LEFT_STOP = 5.0
MET_FLANK = 6.0  # the nut takes the load up on its other flank

EVENTS_A_STEP = 4
"""Most events that one step can bring."""

# Slots of `constants`.
END_S = 0  # integrate until then
STEP_S = 1  # longest step
WAY = 2  # +1 or -1: what one pulse does
AMPLITUDE_A = 3  # winding amplitude that the output stage regulates to, after its errors
SUPPLY_V = 4
RESISTANCE_OHM = 5
INDUCTANCE_H = 6
TORQUE_CONSTANT = 7  # N m/A, and V s/rad; of a small current where it saturates
ROTOR_TEETH = 8
DETENT_NM = 9
VISCOUS_NMS = 10
SHAFT_TORQUE_NM = 11  # from outside
DRAG_NM = 12  # sliding friction at the shaft
DRAG_STATIC_NM = 13
INVERSE_INERTIA_RAISING = 14  # 1/(kg m2), motion along the push of the nut
INVERSE_INERTIA_LOWERING = 15
RAISE_M = 16  # N m/N, screw equation
LOWER_M = 17
TRAVEL_PER_RAD = 18
NUT_OFFSET_M = 19
PITCH_ERROR_M = 20
STIFFNESS = 21  # N/m, shaft to load
HALF_BACKLASH_M = 22
GUIDE_N = 23  # sliding friction of the guide
GUIDE_STATIC_N = 24
EXTERNAL_N = 25  # on the load, along travel: gravity, hand
STICKY_FROM_M = 26
STICKY_TO_M = 27
STICKY_N = 28
GAUGE_FROM_M = 29  # the gauge's tip touches from here on
GAUGE_N = 30
STOP_LOW_M = 31
STOP_HIGH_M = 32
STOP_STIFFNESS = 33
SKIP = 34  # 0 keeps integrating at rest
REGULATOR_LAG_S = 35
DRAG_WAVE = 36  # share of the drag that comes and goes once a turn
HALF_SLACK_RAD = 37  # of the coupling
SATURATION = 38  # 1/A2: torque constant over sqrt(1 + SATURATION i2)
HALF_RIPPLE_A = 39  # a winding's mean current lies so far below what the regulator peaks at
BUS_LIMIT_A = 40  # most that the supply gives; 0 without a limit
BUS_F = 41  # of the supply's capacitors
DRAG_STRIBECK = 42  # rad/s at which drag has fallen half way from static to sliding; 0 for a step
GUIDE_STRIBECK = 43  # the same of the guide
STOP_DAMPING = 44  # s/rad: share by which a stop pushes harder per speed into it
SCREW_HOLD_NM = 45  # static drag of the screw alone, without the brake at the motor
CONSTANTS_SIZE = 46


def integrate(
    state: MutableSequence[float],
    constants: Sequence[float],
    cosines: Sequence[float],
    sines: Sequence[float],
    pulses: Sequence[float],
    event_kind: MutableSequence[float],
    event_time: MutableSequence[float],
    event_rotor: MutableSequence[float],
    event_load: MutableSequence[float],
) -> int:
    """Advance `state` to ``constants[END_S]``, or until the event buffers may not hold the next step's.

    Parameters
    ----------
    state : STATE_SIZE values, changed in place.
    constants : CONSTANTS_SIZE values.
    cosines, sines : microstep table over one electrical period, one value a microstep.
    pulses : times of the pulses (s, rising); those before NEXT_PULSE have been sent.
    event_kind, event_time, event_rotor, event_load : filled with what happened, when, and where rotor and load stood.
        The rotor's turning and resting is among it, so the path between two entries is monotone and every encoder
        edge on it is known. More than EVENTS_A_STEP long, and equally long.

    Returns
    -------
    int : entries written to the event buffers. A pulse at END_S itself is left for the next call.
    """
    t = state[TIME]
    rotor = state[ROTOR]
    speed = state[SPEED]
    ia = state[CURRENT_A]
    ib = state[CURRENT_B]
    load = state[LOAD]
    load_way = state[LOAD_WAY]
    index = int(state[TABLE_INDEX])
    k = int(state[NEXT_PULSE])
    screw = state[SCREW]

    end = constants[END_S]
    longest = constants[STEP_S]
    way = int(constants[WAY])
    amplitude = constants[AMPLITUDE_A]
    supply = constants[SUPPLY_V]
    resistance = constants[RESISTANCE_OHM]
    inductance = constants[INDUCTANCE_H]
    torque_constant = constants[TORQUE_CONSTANT]
    teeth = constants[ROTOR_TEETH]
    detent = constants[DETENT_NM]
    viscous = constants[VISCOUS_NMS]
    shaft_torque = constants[SHAFT_TORQUE_NM]
    drag = constants[DRAG_NM]
    drag_static = constants[DRAG_STATIC_NM]
    inverse_raising = constants[INVERSE_INERTIA_RAISING]
    inverse_lowering = constants[INVERSE_INERTIA_LOWERING]
    raising = constants[RAISE_M]
    lowering = constants[LOWER_M]
    travel_per_rad = constants[TRAVEL_PER_RAD]
    nut_offset = constants[NUT_OFFSET_M]
    pitch_error = constants[PITCH_ERROR_M]
    stiffness = constants[STIFFNESS]
    half_backlash = constants[HALF_BACKLASH_M]
    skip = constants[SKIP] != 0.0
    lag = constants[REGULATOR_LAG_S]
    drag_wave = constants[DRAG_WAVE]
    half_slack = constants[HALF_SLACK_RAD]
    saturation = constants[SATURATION]
    half_ripple = constants[HALF_RIPPLE_A]
    bus_limit = constants[BUS_LIMIT_A]
    drag_stribeck = constants[DRAG_STRIBECK]
    guide_stribeck = constants[GUIDE_STRIBECK]

    size = len(cosines)
    pulse_count = len(pulses)
    full = len(event_kind) - EVENTS_A_STEP
    events = 0
    pull = state[PULL]
    flank = state[FLANK]
    at_stop = state[AT_STOP]
    target_a = amplitude * cosines[index]
    target_b = amplitude * sines[index]
    if half_ripple != 0.0:
        target_a = max(target_a - half_ripple, 0.0) if target_a > 0.0 else min(target_a + half_ripple, 0.0)
        target_b = max(target_b - half_ripple, 0.0) if target_b > 0.0 else min(target_b + half_ripple, 0.0)
    reference_a = target_a
    reference_b = target_b
    if lag != 0.0:
        reference_a = state[REFERENCE_A]
        reference_b = state[REFERENCE_B]
    settled = ia == target_a and ib == target_b and reference_a == target_a and reference_b == target_b
    blend = 0.0
    acceleration = 0.0
    weaker_a = 1.0
    weaker_b = 1.0
    bus = supply
    if bus_limit != 0.0 and 0.0 < state[BUS_V] < supply:
        bus = state[BUS_V]
    field = ia * ia + ib * ib
    driving = max(-lowering, 0.0)
    varying_drag = drag_wave != 0.0 or drag_stribeck != 0.0
    near = 1.0e-9 * (amplitude + 1.0e-3)
    # Below this speed the supply holds any current of the table whatever the phase, so currents that are on their
    # reference stay there.
    free_speed = (bus - resistance * amplitude) / torque_constant
    still = False
    # An empty zone: the first step finds the one in which the load stands.
    zone_low = 1.0
    zone_high = 0.0
    contact = False
    stop_at = 0.0
    inwards = 0.0
    guide = 0.0
    guide_static = 0.0
    external = 0.0
    push = 0.0
    push_up = 0.0
    push_down = 0.0
    behind_up = 0.0
    behind_down = 0.0
    behind_up_static = 0.0
    behind_down_static = 0.0
    if half_slack != 0.0:
        nut = nut_offset + screw * travel_per_rad + pitch_error * sin(screw) - load
        push = stiffness * (nut - min(max(nut, -half_backlash), half_backlash))

    while t < end:
        if k < pulse_count and pulses[k] <= t:
            index += way
            if index == size:
                index = 0
            elif index < 0:
                index = size - 1
            target_a = amplitude * cosines[index]
            target_b = amplitude * sines[index]
            if half_ripple != 0.0:
                target_a = max(target_a - half_ripple, 0.0) if target_a > 0.0 else min(target_a + half_ripple, 0.0)
                target_b = max(target_b - half_ripple, 0.0) if target_b > 0.0 else min(target_b + half_ripple, 0.0)
            if lag == 0.0:
                reference_a = target_a
                reference_b = target_b
            settled = False
            still = False
            k += 1
            continue
        boundary = pulses[k] if k < pulse_count and pulses[k] < end else end
        if still:
            t = boundary
            continue
        steps = int((boundary - t) / longest) + 1
        h = (boundary - t) / steps
        half = 0.5 * h
        decay = exp(-resistance * h / inductance)
        gain = (1.0 - decay) / resistance
        swing = bus * gain
        if lag != 0.0:
            blend = 1.0 - exp(-h / lag)
        step = 0
        while step < steps:
            step += 1
            middle = rotor + half * speed
            s = sin(teeth * middle)
            c = cos(teeth * middle)

            # Currents: exact at the end of the step, their mean over it for the torque. Back-EMF: -K w sin, K w cos.
            steady = settled and -free_speed < speed < free_speed
            if steady:
                mean_a = ia
                mean_b = ib
            else:
                settled = True
                if lag != 0.0:
                    reference_a += blend * (target_a - reference_a)
                    reference_b += blend * (target_b - reference_b)
                    if -near < target_a - reference_a < near and -near < target_b - reference_b < near:
                        reference_a = target_a
                        reference_b = target_b
                    else:
                        settled = False
                emf = torque_constant * (speed + half * acceleration) * gain
                if saturation != 0.0:
                    weaker_a = 1.0 / sqrt(1.0 + saturation * ia * ia)
                    weaker_b = 1.0 / sqrt(1.0 + saturation * ib * ib)
                free = ia * decay + emf * weaker_a * s
                change = reference_a - ia
                if reference_a > free + swing:
                    mean_a = ia
                    ia = free + swing
                    mean_a = 0.5 * (mean_a + ia)
                    settled = False
                elif reference_a < free - swing:
                    mean_a = ia
                    ia = free - swing
                    mean_a = 0.5 * (mean_a + ia)
                    settled = False
                else:
                    mean_a = reference_a
                    if change > 0.0:
                        mean_a -= 0.5 * change * change / (free + swing - ia)
                    elif change < 0.0:
                        mean_a -= 0.5 * change * change / (free - swing - ia)
                    ia = reference_a
                free = ib * decay - emf * weaker_b * c
                change = reference_b - ib
                if reference_b > free + swing:
                    mean_b = ib
                    ib = free + swing
                    mean_b = 0.5 * (mean_b + ib)
                    settled = False
                elif reference_b < free - swing:
                    mean_b = ib
                    ib = free - swing
                    mean_b = 0.5 * (mean_b + ib)
                    settled = False
                else:
                    mean_b = reference_b
                    if change > 0.0:
                        mean_b -= 0.5 * change * change / (free + swing - ib)
                    elif change < 0.0:
                        mean_b -= 0.5 * change * change / (free - swing - ib)
                    ib = reference_b

            if saturation != 0.0:
                weaker_a = 1.0 / sqrt(1.0 + saturation * mean_a * mean_a)
                weaker_b = 1.0 / sqrt(1.0 + saturation * mean_b * mean_b)
                torque = torque_constant * (mean_b * weaker_b * c - mean_a * weaker_a * s)
            else:
                torque = torque_constant * (mean_b * c - mean_a * s)
            if torque * pull < 0.0 and mean_a * c + mean_b * s < 0.0:
                # Across the point where windings push away to both sides: the next electrical period has the rotor.
                if torque < pull:
                    event_kind[events] = SLIPPED_DOWN
                else:
                    event_kind[events] = SLIPPED_UP
                event_time[events] = t + (step - 0.5) * h
                event_rotor[events] = middle
                event_load[events] = load
                events += 1
            pull = torque
            if bus_limit != 0.0:
                # Copper, shaft and field take from the capacitors what the supply doesn't give; it takes nothing back.
                power = resistance * (mean_a * mean_a + mean_b * mean_b) + torque * speed
                power += 0.5 * inductance * (ia * ia + ib * ib - field) / h
                field = ia * ia + ib * ib
                # Implicit, so that small capacitors don't make it swing.
                bus = (bus + h * bus_limit / constants[BUS_F]) / (
                    1.0 + h * max(power, 0.0) / (constants[BUS_F] * bus * bus)
                )
                bus = min(max(bus, 1.0e-3 * supply), supply)
                swing = bus * gain
                free_speed = (bus - resistance * amplitude) / torque_constant
            torque += shaft_torque
            if detent != 0.0:
                # sin 4x = 4 sin x cos x (cos2 x - sin2 x)
                torque -= 4.0 * detent * s * c * (c * c - s * s)

            # The load behind the nut.
            if not zone_low <= load <= zone_high:
                zone_low = -1.0e9
                zone_high = 1.0e9
                guide = constants[GUIDE_N]
                guide_static = constants[GUIDE_STATIC_N]
                external = constants[EXTERNAL_N]
                if load < constants[STICKY_FROM_M]:
                    zone_high = constants[STICKY_FROM_M]
                elif load > constants[STICKY_TO_M]:
                    zone_low = constants[STICKY_TO_M]
                else:
                    zone_low = constants[STICKY_FROM_M]
                    zone_high = constants[STICKY_TO_M]
                    guide += constants[STICKY_N]
                    guide_static += constants[STICKY_N]
                edge = constants[GAUGE_FROM_M]
                if load < edge:
                    zone_high = min(zone_high, edge)
                else:
                    zone_low = max(zone_low, edge)
                    external -= constants[GAUGE_N]
                contact = False
                if load > constants[STOP_HIGH_M]:
                    contact = True
                    inwards = 1.0
                    stop_at = constants[STOP_HIGH_M]
                    zone_low = max(zone_low, stop_at)
                elif load < constants[STOP_LOW_M]:
                    contact = True
                    inwards = -1.0
                    stop_at = constants[STOP_LOW_M]
                    zone_high = min(zone_high, stop_at)
                else:
                    zone_low = max(zone_low, constants[STOP_LOW_M])
                    zone_high = min(zone_high, constants[STOP_HIGH_M])
                if contact != (at_stop != 0.0):
                    at_stop = inwards if contact else 0.0
                    event_kind[events] = MET_STOP if contact else LEFT_STOP
                    event_time[events] = t + (step - 0.5) * h
                    event_rotor[events] = middle
                    event_load[events] = load
                    events += 1
                push_up = guide - external
                push_down = -guide - external
                behind_up = push_up / stiffness
                behind_down = push_down / stiffness
                behind_up_static = (guide_static - external) / stiffness
                behind_down_static = (-guide_static - external) / stiffness
                if push_up > 0.0:
                    behind_up += half_backlash
                elif push_up < 0.0:
                    behind_up -= half_backlash
                if push_down > 0.0:
                    behind_down += half_backlash
                elif push_down < 0.0:
                    behind_down -= half_backlash
                if guide_static - external > 0.0:
                    behind_up_static += half_backlash
                elif guide_static - external < 0.0:
                    behind_up_static -= half_backlash
                if -guide_static - external > 0.0:
                    behind_down_static += half_backlash
                elif -guide_static - external < 0.0:
                    behind_down_static -= half_backlash

            if guide_stribeck != 0.0:
                ratio = speed / guide_stribeck
                friction = guide + (guide_static - guide) / (1.0 + ratio * ratio)
                push_up = friction - external
                push_down = -friction - external
                behind_up = push_up / stiffness
                behind_down = push_down / stiffness
                if push_up > 0.0:
                    behind_up += half_backlash
                elif push_up < 0.0:
                    behind_up -= half_backlash
                if push_down > 0.0:
                    behind_down += half_backlash
                elif push_down < 0.0:
                    behind_down -= half_backlash

            if half_slack == 0.0:
                screw = middle
            elif driving * push > constants[SCREW_HOLD_NM]:
                # The load turns the screw by itself, and so holds it on one flank of the slack.
                screw = middle - half_slack
            elif driving * push < -constants[SCREW_HOLD_NM]:
                screw = middle + half_slack
            else:
                screw = min(max(screw, middle - half_slack), middle + half_slack)
            nut = nut_offset + screw * travel_per_rad
            if pitch_error != 0.0:
                nut += pitch_error * sin(screw)
            if contact:
                # x + lag(push + ks (x - stop)) = nut, solved for both directions of sliding; monotone in x.
                load_way = 0.0
                spring = constants[STOP_STIFFNESS]
                if constants[STOP_DAMPING] != 0.0:
                    spring *= max(1.0e-3, 1.0 + constants[STOP_DAMPING] * inwards * speed)
                ratio = spring / stiffness
                free = stop_at - push_up / spring
                if nut > free + half_backlash:
                    free = (nut - half_backlash - push_up / stiffness + ratio * stop_at) / (1.0 + ratio)
                elif nut < free - half_backlash:
                    free = (nut + half_backlash - push_up / stiffness + ratio * stop_at) / (1.0 + ratio)
                load = max(load, free)
                free = stop_at - push_down / spring
                if nut > free + half_backlash:
                    free = (nut - half_backlash - push_down / stiffness + ratio * stop_at) / (1.0 + ratio)
                elif nut < free - half_backlash:
                    free = (nut + half_backlash - push_down / stiffness + ratio * stop_at) / (1.0 + ratio)
                load = min(load, free)
            elif load_way > 0.0:
                if nut - behind_up >= load:
                    load = nut - behind_up
                else:
                    load_way = 0.0
                    if nut - behind_down_static < load:
                        load = nut - behind_down
                        load_way = -1.0
            elif load_way < 0.0:
                if nut - behind_down <= load:
                    load = nut - behind_down
                else:
                    load_way = 0.0
                    if nut - behind_up_static > load:
                        load = nut - behind_up
                        load_way = 1.0
            elif nut - behind_up_static > load:
                load = nut - behind_up
                load_way = 1.0
            elif nut - behind_down_static < load:
                load = nut - behind_down
                load_way = -1.0
            gap = nut - load
            if gap > half_backlash:
                push = stiffness * (gap - half_backlash)
            elif gap < -half_backlash:
                push = stiffness * (gap + half_backlash)
            else:
                push = 0.0
            if push * flank < 0.0 or (flank == 0.0 and push != 0.0):
                if flank != 0.0:
                    event_kind[events] = MET_FLANK
                    event_time[events] = t + (step - 0.5) * h
                    event_rotor[events] = middle
                    event_load[events] = load
                    events += 1
                flank = 1.0 if push > 0.0 else -1.0

            # Resistance of the thread to turning up and down, and the kick.
            if push >= 0.0:
                resist_up = push * raising
                resist_down = push * lowering
                inverse_up = inverse_raising
                inverse_down = inverse_lowering
            else:
                resist_up = -push * lowering
                resist_down = -push * raising
                inverse_up = inverse_lowering
                inverse_down = inverse_raising
            if half_slack != 0.0 and middle - half_slack < screw < middle + half_slack:
                # Inside the slack nothing of the load comes through to the rotor.
                resist_up = 0.0
                resist_down = 0.0
            if varying_drag:
                ratio = 1.0 + drag_wave * cos(screw)
                drag = constants[DRAG_NM] * ratio
                drag_static = constants[DRAG_STATIC_NM] * ratio
                if drag_stribeck != 0.0:
                    ratio = speed / drag_stribeck
                    drag += (drag_static - drag) / (1.0 + ratio * ratio)
            if speed > 0.0:
                damping = half * viscous * inverse_up
                after = (speed * (1.0 - damping) + h * (torque - drag - resist_up) * inverse_up) / (1.0 + damping)
                if after <= 0.0:
                    left = h * after / (after - speed)
                    after = 0.0
                    if torque < -(drag_static + resist_down):
                        after = left * (torque + drag + resist_down) * inverse_down
                    event_kind[events] = RESTED if after == 0.0 else TURNED
                    event_time[events] = t + (step - 0.5) * h
                    event_rotor[events] = middle
                    event_load[events] = load
                    events += 1
            elif speed < 0.0:
                damping = half * viscous * inverse_down
                after = (speed * (1.0 - damping) + h * (torque + drag + resist_down) * inverse_down) / (1.0 + damping)
                if after >= 0.0:
                    left = h * after / (after - speed)
                    after = 0.0
                    if torque > drag_static + resist_up:
                        after = left * (torque - drag - resist_up) * inverse_up
                    event_kind[events] = RESTED if after == 0.0 else TURNED
                    event_time[events] = t + (step - 0.5) * h
                    event_rotor[events] = middle
                    event_load[events] = load
                    events += 1
            elif torque > drag_static + resist_up:
                after = h * (torque - drag - resist_up) * inverse_up
            elif torque < -(drag_static + resist_down):
                after = h * (torque + drag + resist_down) * inverse_down
            else:
                after = 0.0
                load_way = 0.0
                still = steady and skip and bus == supply
            acceleration = (after - speed) / h
            speed = after
            rotor = middle + half * speed
            if still or events > full:
                break
        t = boundary if still or step == steps else t + step * h
        if events > full:
            break

    # The load was last led to where the nut stood in the middle of a step.
    if half_slack == 0.0:
        screw = rotor
    elif driving * push > constants[SCREW_HOLD_NM]:
        screw = rotor - half_slack
    elif driving * push < -constants[SCREW_HOLD_NM]:
        screw = rotor + half_slack
    else:
        screw = min(max(screw, rotor - half_slack), rotor + half_slack)
    nut = nut_offset + screw * travel_per_rad
    if pitch_error != 0.0:
        nut += pitch_error * sin(screw)
    if zone_low < zone_high:
        if load_way > 0.0:
            load = max(load, nut - behind_up)
        elif load_way < 0.0:
            load = min(load, nut - behind_down)

    state[TIME] = t
    state[ROTOR] = rotor
    state[SPEED] = speed
    state[CURRENT_A] = ia
    state[CURRENT_B] = ib
    state[LOAD] = load
    state[LOAD_WAY] = load_way
    state[TABLE_INDEX] = float(index)
    state[NEXT_PULSE] = float(k)
    state[REFERENCE_A] = reference_a
    state[REFERENCE_B] = reference_b
    state[SCREW] = screw
    state[BUS_V] = bus
    state[PULL] = pull
    state[FLANK] = flank
    state[AT_STOP] = at_stop
    return events

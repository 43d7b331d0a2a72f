"""What a bench is, as frozen data: parts, envelope, safe state, calibration. No I/O and no parsing here.

`stepwitness.bench.model` makes one from a file; the record keeps the file's text, so that the same description can
be made again years later.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import date
from enum import Enum
from typing import TYPE_CHECKING

from stepwitness.axis import Axis
from stepwitness.devices.interfaces import Side
from stepwitness.devices.part import Part as Part
from stepwitness.site import NOTHING_SAID, SiteFacts

if TYPE_CHECKING:
    from stepwitness.standin.parameters import StandIn


class SafeState(Enum):
    """HOLD: halted and energised. BRAKE: halted, held, braked, the brake proven, then de-energised."""

    HOLD = "hold"
    BRAKE = "brake"


class StopMethod(Enum):
    """How a bench of real parts is stopped once the process that moved it is gone.

    DRIVE: the halt command, on the drive's own line. PORT: the same, on a second port of the drive. SUPPLY: the
    supply's output is switched off.
    """

    DRIVE = "drive"
    PORT = "port"
    SUPPLY = "supply"


class Use(Enum):
    """How stand-ins are reached: in this process, or served on this machine; WIRE is the one that the drive speaks."""

    PROCESS = "process"
    WIRE = "wire"
    TCP = "tcp"
    SERIAL = "serial"
    MODBUS_TCP = "modbus-tcp"
    MODBUS_RTU = "modbus-rtu"
    CANOPEN = "canopen"
    HISLIP = "hislip"


@dataclass(frozen=True)
class Stop:
    """`port` is the second port, for PORT; `drop_m` what a load may fall until its brake holds, for SUPPLY."""

    by: StopMethod
    port: str = ""
    drop_m: float = 0.0


@dataclass(frozen=True)
class Calibration:
    """Expanded uncertainty in the instrument's SI unit, as its certificate states it."""

    certificate: str
    expires: date
    expanded_uncertainty: float
    coverage_factor: float = 2.0

    @property
    def standard_uncertainty(self) -> float:
        return self.expanded_uncertainty / self.coverage_factor


@dataclass(frozen=True)
class Warmth:
    """How much warmer than 20 °C (ISO 1) the axis is while it is tested, and how it expands; each within so much.

    A gauge is taken to be right at its own temperature, so what it reads of the axis is told at 20 °C.
    """

    above_reference_k: float
    within_k: float
    expansion_per_k: float
    expansion_within_per_k: float = 0.0

    @property
    def expansion(self) -> float:
        """Relative growth since 20 °C."""
        return self.expansion_per_k * self.above_reference_k


@dataclass(frozen=True)
class GaugePart:
    """A displacement gauge on the load.

    `zero_at_m` is the travel at which the gauge's range starts; `sense` is +1 where its reading grows with travel.
    `alignment_turns` is the angle within which its line lies to the travel, `abbe_offset_m` its distance from the line
    in which the nut pushes, and `tilt_turns` the angle within which the carriage tilts; 0 where nothing was said.
    """

    part: Part
    range_m: float
    resolution_m: float
    zero_at_m: float = 0.0
    measuring_force_n: float = 0.0
    sense: int = 1
    calibration: Calibration | None = None
    alignment_turns: float = 0.0
    abbe_offset_m: float = 0.0
    tilt_turns: float = 0.0


@dataclass(frozen=True)
class MeterPart:
    part: Part
    calibration: Calibration | None = None


@dataclass(frozen=True)
class BrakePart:
    part: Part
    closing_delay_s: float


@dataclass(frozen=True)
class Envelope:
    """What the bench permits, in the load's travel. Checked before a command leaves."""

    low_m: float
    high_m: float
    speed_m_per_s: float
    acceleration_m_per_s2: float
    current_a: float


class ReferenceMethod(Enum):
    LIMIT_SWITCH = "limit switch"
    DATUM = "datum"


@dataclass(frozen=True)
class Reference:
    """How travel gets its zero: where a limit switch trips, or a datum that the operator confirmed."""

    method: ReferenceMethod
    at_m: float
    side: Side = Side.LOW
    speed_m_per_s: float = 0.002


@dataclass(frozen=True)
class Motor:
    """What a plan needs to know of the motor: rated current and holding torque at it, and the load's share.

    `friction_torque_nm` is the torque that turns motor, screw and guide at low speed; 0 where it isn't known.
    `hold_delay_s` is the time from the end of a move until the drive gives way to the hold current.
    """

    rated_current_a: float
    hold_current_a: float
    holding_torque_nm: float
    friction_torque_nm: float = 0.0
    hold_delay_s: float = 0.0


@dataclass(frozen=True)
class Blocked:
    """A load that can't fall or move away while the motor is starved: it rests on a stop at `at_m`, on `side`."""

    at_m: float
    side: Side
    push_current_a: float


@dataclass(frozen=True)
class BenchDescription:
    """A bench file, read and converted.

    `text` is the file as read; `back_drives` says whether the load can turn the screw. Without `stop`, real parts are
    only read. `use` says how stand-ins are reached where nobody asks otherwise, `spread` how they differ from unit to
    unit.
    """

    name: str
    path: str
    text: str
    axis: Axis
    motor: Motor
    drive: Part
    envelope: Envelope
    safe_state: SafeState
    reference: Reference
    back_drives: bool
    counter: Part | None = None
    gauge: GaugePart | None = None
    meter: MeterPart | None = None
    supply: Part | None = None
    brake: BrakePart | None = None
    drag: Part | None = None
    inputs: Part | None = None
    blocked: Blocked | None = None
    guide_friction_n: float | None = None
    warmth: Warmth | None = None
    axis_serial: str = ""
    counter_certificate: str = ""
    stand_in: StandIn | None = None
    spread: Mapping[str, float] = field(default_factory=dict)
    stop: Stop | None = None
    use: Use = Use.PROCESS
    site: SiteFacts = NOTHING_SAID

    @property
    def all_stand_in(self) -> bool:
        """Whether no real part is named at all."""
        return all(part.kind == "stand-in" for part in self.parts().values())

    def parts(self) -> dict[str, Part]:
        """Each part that the bench has, by its role."""
        found: dict[str, Part | None] = {
            "drive": self.drive,
            "counter": self.counter,
            "gauge": self.gauge.part if self.gauge else None,
            "meter": self.meter.part if self.meter else None,
            "supply": self.supply,
            "brake": self.brake.part if self.brake else None,
            "drag": self.drag,
            "inputs": self.inputs,
        }
        return {role: part for role, part in found.items() if part is not None}

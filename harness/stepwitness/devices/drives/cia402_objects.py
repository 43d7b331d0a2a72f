"""Objects and error codes of a drive of IEC 61800-7-201 (CiA 402), from memory."""

from __future__ import annotations

from collections.abc import Mapping

from stepwitness.devices.can_objects import CanObject

CONTROLWORD = CanObject(0x6040, 0, "uint16")
STATUSWORD = CanObject(0x6041, 0, "uint16")
ERROR_CODE = CanObject(0x603F, 0, "uint16")
QUICK_STOP_OPTION = CanObject(0x605A, 0, "int16")
HALT_OPTION = CanObject(0x605D, 0, "int16")
FAULT_REACTION_OPTION = CanObject(0x605E, 0, "int16")
MODE = CanObject(0x6060, 0, "int8")
MODE_NOW = CanObject(0x6061, 0, "int8")
POSITION_DEMAND = CanObject(0x6062, 0, "int32")
POSITION = CanObject(0x6064, 0, "int32")
FOLLOWING_WINDOW = CanObject(0x6065, 0, "uint32")
FOLLOWING_TIMEOUT = CanObject(0x6066, 0, "uint16", 1e-3)
POSITION_WINDOW = CanObject(0x6067, 0, "uint32")
POSITION_WINDOW_TIME = CanObject(0x6068, 0, "uint16", 1e-3)
VELOCITY_DEMAND = CanObject(0x606B, 0, "int32")
RATED_CURRENT = CanObject(0x6075, 0, "uint32", 1e-3)
TARGET = CanObject(0x607A, 0, "int32")
HOME_OFFSET = CanObject(0x607C, 0, "int32")
SPEED = CanObject(0x6081, 0, "uint32")
ACCELERATION = CanObject(0x6083, 0, "uint32")
DECELERATION = CanObject(0x6084, 0, "uint32")
HOMING_METHOD = CanObject(0x6098, 0, "int8")
FOLLOWING_ERROR = CanObject(0x60F4, 0, "int32")
OUTPUTS = CanObject(0x60FE, 1, "uint32")
OUTPUTS_MASK = CanObject(0x60FE, 2, "uint32")
SERIAL = CanObject(0x1018, 4, "uint32")
VENDOR = CanObject(0x1018, 1, "uint32")

ERRORS: Mapping[int, str] = {
    0x2310: "continuous over current",
    0x3210: "DC link over-voltage",
    0x3220: "DC link under-voltage",
    0x4310: "excess temperature of the drive",
    0x7305: "encoder",
    0x8611: "following error",
    0x8612: "reference limit",
}
"""Error codes of 603Fh (CiA 402; from memory)."""

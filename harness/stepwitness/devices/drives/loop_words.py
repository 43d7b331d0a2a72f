"""The settings of a drive's own position loop by the names that command sets and register maps give them."""

from __future__ import annotations

from typing import Any

from stepwitness.devices.interfaces import ClosedLoopSettings


def loop_words(settings: ClosedLoopSettings) -> dict[str, Any]:
    """What a ``configure_loop`` exchange carries: windows in microsteps, times in seconds, option codes as numbers."""
    return {
        "window": settings.following_error_window,
        "timeout": settings.following_error_timeout_s,
        "position_window": settings.position_window,
        "position_time": settings.position_window_time_s,
        "attempts": settings.attempts,
        "halt": int(settings.halt_option),
        "quick_stop": int(settings.quick_stop_option),
        "fault_reaction": int(settings.fault_reaction_option),
    }

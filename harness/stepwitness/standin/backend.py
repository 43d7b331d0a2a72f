"""The kernel in the two forms in which it can run: as the Python that it is, or compiled by numba.

numba comes with the extra ``fast`` and is no requirement: both forms have one source, agree within 1e-9 of travel and
give the same verdicts. ``STEPWITNESS_KERNEL`` set to ``plain`` or ``compiled`` settles it; without it the compiled
form is taken where numba is installed. numpy is loaded for the compiled form alone: the plain one starts in a third
of the time without it.
"""

from __future__ import annotations

import importlib.util
import os
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import cache
from typing import TYPE_CHECKING, Any

from stepwitness.errors import BadInput
from stepwitness.standin import kernel

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

    Floats = Sequence[float] | NDArray[np.float64]

VARIABLE = "STEPWITNESS_KERNEL"
PLAIN, COMPILED = "plain", "compiled"

_SIGNATURE = f"int64({', '.join(['float64[::1]'] * 9)})"


@dataclass(frozen=True)
class Backend:
    """The kernel and the kind of sequence that it is fast on.

    Attributes
    ----------
    name : "plain" or "compiled".
    integrate : `kernel.integrate`, or what numba made of it.
    sequence : makes such a sequence from any iterable of floats.
    floats : makes Python floats of a sequence's first n values.
    """

    name: str
    integrate: Callable[..., int]
    sequence: Callable[[Any], Any]
    floats: Callable[[Any, int], list[float]]


def default_name() -> str:
    """What the environment asks for, or the faster of what is installed.

    Raises
    ------
    BadInput : where the environment asks for what doesn't exist.
    """
    asked = os.environ.get(VARIABLE, "")
    if not asked:
        return COMPILED if importlib.util.find_spec("numba") else PLAIN
    if asked not in (PLAIN, COMPILED):
        raise BadInput(f"{VARIABLE} names no kernel", found=f"'{asked}'", allowed=f"{PLAIN}, {COMPILED}")
    return asked


@cache
def backend(name: str) -> Backend:
    """The backend called `name`.

    Raises
    ------
    BadInput : for the compiled one where numba isn't installed.
    """
    if name == PLAIN:
        return Backend(PLAIN, kernel.integrate, _as_list, lambda values, count: list(values[:count]))
    try:
        import numba
    except ImportError:
        raise BadInput(
            "the compiled kernel needs numba", cure="install pytest-stepwitness[fast], or take the plain kernel"
        ) from None
    compiled = numba.njit(_SIGNATURE, cache=True)(kernel.integrate)
    return Backend(COMPILED, compiled, _as_array, lambda values, count: values[:count].tolist())


def _as_list(values: Floats) -> list[float]:
    return values.tolist() if hasattr(values, "tolist") else list(values)


def _as_array(values: Floats) -> NDArray[np.float64]:
    import numpy as np

    return np.array(values, dtype=np.float64)

"""Many virtual units: spread their parameters, and do one task on each, over as many cores as wanted.

1. A unit is made from a nominal stand-in, a spread and its number alone, so it is the same whoever else is in the
   batch, in whatever order, on however many workers.
2. Each field draws from a stream of its own: adding a field to a spread leaves the others' draws as they were.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Mapping
from concurrent.futures import ProcessPoolExecutor
from dataclasses import fields, is_dataclass, replace
from functools import partial
from hashlib import sha256
from multiprocessing import get_context
from operator import attrgetter
from random import Random
from typing import Any, TypeVar

from stepwitness.errors import BadInput, near_miss
from stepwitness.standin.parameters import StandIn, with_field

Result = TypeVar("Result")

CHUNK = 8
"""Units that a worker is handed at once."""


def unit(nominal: StandIn, spread: Mapping[str, float], number: int) -> StandIn:
    """Unit `number` of a population around `nominal`.

    Parameters
    ----------
    spread : by field (``"screw.backlash_m"``), the standard deviation of the logarithm of the field's value; for small
        values that is the relative standard deviation. Values keep their sign.
    number : any integer; it also seeds the unit's own chances.

    Raises
    ------
    BadInput : for a field that no stand-in has or that isn't a number, and for a negative spread.
    """
    made = nominal
    known = spreadable(nominal)
    for name, deviation in spread.items():
        if name not in known:
            raise BadInput("a stand-in has no such number", found=f"'{name}'", cure=near_miss(name, known))
        if not deviation >= 0.0:
            raise BadInput("a negative spread", found=f"{name}: {deviation:g}", allowed="0 or more")
        draw = Random(f"{nominal.seed}:{number}:{name}").gauss(0.0, deviation)
        made = with_field(made, name, attrgetter(name)(nominal) * math.exp(draw))
    return replace(made, seed=Random(f"{nominal.seed}:{number}:seed").getrandbits(32))


def number_of(serial: str) -> int:
    """The number of the unit that bears a serial number: the same for the same text, anywhere."""
    return int.from_bytes(sha256(serial.encode()).digest()[:8])


def spreadable(stand_in: StandIn) -> list[str]:
    """Names of all fields that a spread may hold."""
    names: list[str] = []
    for item in fields(stand_in):
        value = getattr(stand_in, item.name)
        if is_dataclass(value):
            names += [f"{item.name}.{inner.name}" for inner in fields(value) if _is_number(value, inner.name)]
        elif _is_number(stand_in, item.name):
            names.append(item.name)
    return names


def over_units(
    task: Callable[[StandIn], Result],
    nominal: StandIn,
    spread: Mapping[str, float],
    numbers: Iterable[int],
    *,
    workers: int = 1,
) -> list[Result]:
    """``task`` of each unit, in the order of `numbers`.

    With more than one worker `task` and its results must be picklable: a function at the top of a module, or a
    `functools.partial` of one.
    """
    job = partial(_do, task, nominal, spread)
    if workers <= 1:
        return [job(number) for number in numbers]
    with ProcessPoolExecutor(workers, mp_context=get_context("spawn")) as pool:
        return list(pool.map(job, numbers, chunksize=CHUNK))


def _do(task: Callable[[StandIn], Result], nominal: StandIn, spread: Mapping[str, float], number: int) -> Result:
    return task(unit(nominal, spread, number))


def _is_number(holder: Any, name: str) -> bool:
    return isinstance(getattr(holder, name), float)

"""Mean, spread and slope in one pass, without loss of digits.

1. Everything is taken relative to the first value seen, because the difference of two near doubles is exact
   (Sterbenz): a spread of 0.1 on top of 10,000,000 keeps all the digits that the readings have.
2. Accumulators hold a handful of floats however many readings pass, and two of them merge into one.
3. What can't be computed raises `NotEnoughReadings`; a number is never made up, and NaN is never let in.
"""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass


class BadReadings(ValueError):
    """Readings that have no answer: not a finite number, or of a shape that a figure doesn't allow."""


class NotEnoughReadings(BadReadings):
    """Too few readings, or too little spread between them, for the figure that was asked."""


def finite(value: float, what: str) -> float:
    """`value`, where it is a finite number.

    Raises
    ------
    BadReadings : for NaN and the infinities, naming `what`.
    """
    if not math.isfinite(value):
        raise BadReadings(f"{what} is {value}, which is no reading")
    return value


class Running:
    """Count, mean and sample standard deviation of a stream.

    Notes
    -----
    Welford's recurrence (Technometrics 4, 1962) on values shifted by the first one; merging by the pairwise
    formula of Chan, Golub and LeVeque (1979). Both named from memory.

    Examples
    --------
    >>> readings = Running([10000001.0, 10000003.0, 10000002.0])
    >>> readings.mean, readings.sd
    (10000002.0, 1.0)
    """

    __slots__ = ("_mean", "_origin", "_squares", "n")

    def __init__(self, values: Iterable[float] = ()) -> None:
        self.n = 0
        self._origin = 0.0
        self._mean = 0.0
        self._squares = 0.0
        for value in values:
            self.add(value)

    def add(self, value: float) -> None:
        """Take one value in; NaN and infinities raise `BadReadings`."""
        finite(value, "a value")
        if self.n == 0:
            self._origin = value
        self.n += 1
        shifted = value - self._origin
        step = shifted - self._mean
        self._mean += step / self.n
        self._squares += step * (shifted - self._mean)

    def merge(self, other: Running) -> None:
        """Take in all that `other` has seen."""
        if other.n == 0:
            return
        if self.n == 0:
            self.n, self._origin = other.n, other._origin
            self._mean, self._squares = other._mean, other._squares
            return
        apart = (other._origin - self._origin) + (other._mean - self._mean)
        both = self.n + other.n
        self._squares += other._squares + apart * apart * self.n * other.n / both
        self._mean += apart * other.n / both
        self.n = both

    @property
    def mean(self) -> float:
        """Arithmetic mean.

        Raises
        ------
        NotEnoughReadings : where nothing was added.
        """
        if self.n == 0:
            raise NotEnoughReadings("no reading, so no mean")
        return self._origin + self._mean

    @property
    def variance(self) -> float:
        """Sample variance, denominator n − 1.

        Raises
        ------
        NotEnoughReadings : with fewer than two values.
        """
        if self.n < 2:
            raise NotEnoughReadings(f"a standard deviation takes 2 readings at least, found {self.n}")
        return self._squares / (self.n - 1)

    @property
    def sd(self) -> float:
        """Sample standard deviation, the root of `variance`."""
        return math.sqrt(self.variance)


@dataclass(frozen=True)
class Slope:
    """A fitted line y = intercept + slope·x through `n` pairs whose x cover `span`.

    `standard_uncertainty` is the slope's: residual sd over the root of Sxx, with n − 2 degrees of freedom. It
    holds where the residuals are independent and of one size.
    """

    slope: float
    intercept: float
    standard_uncertainty: float
    residual_sd: float
    span: float
    n: int


class SlopeAccumulator:
    """Least-squares line through a stream of (x, y).

    Notes
    -----
    What is accumulated is y − x, not y: two witnesses to one travel differ by parts in a thousand, and the
    residuals are then not what is left of a difference of great sums. Any slope is fitted; near 1 it keeps
    most digits.
    """

    __slots__ = ("_dd", "_high", "_low", "_mean_d", "_mean_x", "_origin_d", "_origin_x", "_xd", "_xx", "n")

    def __init__(self) -> None:
        self.n = 0
        self._origin_x = self._origin_d = 0.0
        self._mean_x = self._mean_d = 0.0
        self._xx = self._xd = self._dd = 0.0
        self._low, self._high = math.inf, -math.inf

    def add(self, x: float, y: float) -> None:
        """Take one pair in; NaN and infinities raise `BadReadings`."""
        difference = finite(y, "y") - finite(x, "x")
        if self.n == 0:
            self._origin_x, self._origin_d = x, difference
        self.n += 1
        self._low, self._high = min(self._low, x), max(self._high, x)
        shifted_x, shifted_d = x - self._origin_x, difference - self._origin_d
        step_x, step_d = shifted_x - self._mean_x, shifted_d - self._mean_d
        self._mean_x += step_x / self.n
        self._mean_d += step_d / self.n
        self._xx += step_x * (shifted_x - self._mean_x)
        self._xd += step_x * (shifted_d - self._mean_d)
        self._dd += step_d * (shifted_d - self._mean_d)

    def result(self) -> Slope:
        """The line through all pairs so far.

        Raises
        ------
        NotEnoughReadings : with fewer than three pairs, or where all x are the same.

        Examples
        --------
        >>> fit = SlopeAccumulator()
        >>> for x, y in [(0.0, 0.5), (1.0, 1.75), (2.0, 3.0)]:
        ...     fit.add(x, y)
        >>> fit.result().slope
        1.25
        """
        if self.n < 3:
            raise NotEnoughReadings(f"a slope with its uncertainty takes 3 pairs at least, found {self.n}")
        if self._low == self._high:
            raise NotEnoughReadings("all x are the same, so there is no slope")
        excess = self._xd / self._xx
        residual_sd = math.sqrt(max(0.0, self._dd - self._xd * excess) / (self.n - 2))
        mean_x = self._origin_x + self._mean_x
        mean_d = self._origin_d + self._mean_d
        return Slope(
            slope=1.0 + excess,
            intercept=mean_d - excess * mean_x,
            standard_uncertainty=residual_sd / math.sqrt(self._xx),
            residual_sd=residual_sd,
            span=self._high - self._low,
            n=self.n,
        )

"""Single sampling by attributes: the tables, as data.

MIL-STD-105E (10 May 1989, public domain) tables I, II-A, II-B and II-C, for AQL 0.010 to 15 % nonconforming; the
standard goes on to 1000 per hundred. ISO 2859-1:1999 has the same code letters and the same normal and tightened
single plans (from memory); its reduced plans differ, as it closed the gap between Ac and Re, and that table wasn't at
hand.

The tables were written from memory and compared with a stored public reprint and with the tables that a public
statistics package carries: all letters and, arrows resolved, all plans agree.

1. A cell is `Ac/Re`, or an arrow: `v` takes the first plan below, `^` the first plan above, with its sample size.
2. Row S serves tightened inspection at AQL 0.025 alone.
"""

from __future__ import annotations

from typing import Literal

Severity = Literal["normal", "tightened", "reduced"]
Level = Literal["S-1", "S-2", "S-3", "S-4", "I", "II", "III"]

LEVELS: tuple[Level, ...] = ("S-1", "S-2", "S-3", "S-4", "I", "II", "III")

AQLS = (0.010, 0.015, 0.025, 0.040, 0.065, 0.10, 0.15, 0.25, 0.40, 0.65, 1.0, 1.5, 2.5, 4.0, 6.5, 10, 15)
"""Acceptance quality limits in percent nonconforming, the columns of the tables."""

CODE_LETTERS: tuple[tuple[int, str], ...] = (
    (2, "AAAAAAB"),
    (9, "AAAAABC"),
    (16, "AABBBCD"),
    (26, "ABBCCDE"),
    (51, "BBCCCEF"),
    (91, "BBCDDFG"),
    (151, "BCDEEGH"),
    (281, "BCDEFHJ"),
    (501, "CCEFGJK"),
    (1201, "CDEGHKL"),
    (3201, "CDFGJLM"),
    (10001, "CDFHKMN"),
    (35001, "DEGJLNP"),
    (150001, "DEGJMPQ"),
    (500001, "DEHKNQR"),
)
"""Least size of the lot, and the code letters at `LEVELS`."""

NORMAL = """
A    2      v     v     v     v     v     v     v     v     v     v     v     v     v     v   0/1     v     v
B    3      v     v     v     v     v     v     v     v     v     v     v     v     v   0/1     ^     v   1/2
C    5      v     v     v     v     v     v     v     v     v     v     v     v   0/1     ^     v   1/2   2/3
D    8      v     v     v     v     v     v     v     v     v     v     v   0/1     ^     v   1/2   2/3   3/4
E   13      v     v     v     v     v     v     v     v     v     v   0/1     ^     v   1/2   2/3   3/4   5/6
F   20      v     v     v     v     v     v     v     v     v   0/1     ^     v   1/2   2/3   3/4   5/6   7/8
G   32      v     v     v     v     v     v     v     v   0/1     ^     v   1/2   2/3   3/4   5/6   7/8 10/11
H   50      v     v     v     v     v     v     v   0/1     ^     v   1/2   2/3   3/4   5/6   7/8 10/11 14/15
J   80      v     v     v     v     v     v   0/1     ^     v   1/2   2/3   3/4   5/6   7/8 10/11 14/15 21/22
K  125      v     v     v     v     v   0/1     ^     v   1/2   2/3   3/4   5/6   7/8 10/11 14/15 21/22     ^
L  200      v     v     v     v   0/1     ^     v   1/2   2/3   3/4   5/6   7/8 10/11 14/15 21/22     ^     ^
M  315      v     v     v   0/1     ^     v   1/2   2/3   3/4   5/6   7/8 10/11 14/15 21/22     ^     ^     ^
N  500      v     v   0/1     ^     v   1/2   2/3   3/4   5/6   7/8 10/11 14/15 21/22     ^     ^     ^     ^
P  800      v   0/1     ^     v   1/2   2/3   3/4   5/6   7/8 10/11 14/15 21/22     ^     ^     ^     ^     ^
Q 1250    0/1     ^     v   1/2   2/3   3/4   5/6   7/8 10/11 14/15 21/22     ^     ^     ^     ^     ^     ^
R 2000      ^     ^   1/2   2/3   3/4   5/6   7/8 10/11 14/15 21/22     ^     ^     ^     ^     ^     ^     ^
"""

TIGHTENED = """
A    2      v     v     v     v     v     v     v     v     v     v     v     v     v     v     v     v     v
B    3      v     v     v     v     v     v     v     v     v     v     v     v     v     v   0/1     v     v
C    5      v     v     v     v     v     v     v     v     v     v     v     v     v   0/1     v     v   1/2
D    8      v     v     v     v     v     v     v     v     v     v     v     v   0/1     v     v   1/2   2/3
E   13      v     v     v     v     v     v     v     v     v     v     v   0/1     v     v   1/2   2/3   3/4
F   20      v     v     v     v     v     v     v     v     v     v   0/1     v     v   1/2   2/3   3/4   5/6
G   32      v     v     v     v     v     v     v     v     v   0/1     v     v   1/2   2/3   3/4   5/6   8/9
H   50      v     v     v     v     v     v     v     v   0/1     v     v   1/2   2/3   3/4   5/6   8/9 12/13
J   80      v     v     v     v     v     v     v   0/1     v     v   1/2   2/3   3/4   5/6   8/9 12/13 18/19
K  125      v     v     v     v     v     v   0/1     v     v   1/2   2/3   3/4   5/6   8/9 12/13 18/19     ^
L  200      v     v     v     v     v   0/1     v     v   1/2   2/3   3/4   5/6   8/9 12/13 18/19     ^     ^
M  315      v     v     v     v   0/1     v     v   1/2   2/3   3/4   5/6   8/9 12/13 18/19     ^     ^     ^
N  500      v     v     v   0/1     v     v   1/2   2/3   3/4   5/6   8/9 12/13 18/19     ^     ^     ^     ^
P  800      v     v   0/1     v     v   1/2   2/3   3/4   5/6   8/9 12/13 18/19     ^     ^     ^     ^     ^
Q 1250      v   0/1     v     v   1/2   2/3   3/4   5/6   8/9 12/13 18/19     ^     ^     ^     ^     ^     ^
R 2000    0/1     ^     v   1/2   2/3   3/4   5/6   8/9 12/13 18/19     ^     ^     ^     ^     ^     ^     ^
S 3150      .     .   1/2     .     .     .     .     .     .     .     .     .     .     .     .     .     .
"""

REDUCED = """
A    2      v     v     v     v     v     v     v     v     v     v     v     v     v     v   0/1     v     v
B    2      v     v     v     v     v     v     v     v     v     v     v     v     v   0/1     ^     v   0/2
C    2      v     v     v     v     v     v     v     v     v     v     v     v   0/1     ^     v   0/2   1/3
D    3      v     v     v     v     v     v     v     v     v     v     v   0/1     ^     v   0/2   1/3   1/4
E    5      v     v     v     v     v     v     v     v     v     v   0/1     ^     v   0/2   1/3   1/4   2/5
F    8      v     v     v     v     v     v     v     v     v   0/1     ^     v   0/2   1/3   1/4   2/5   3/6
G   13      v     v     v     v     v     v     v     v   0/1     ^     v   0/2   1/3   1/4   2/5   3/6   5/8
H   20      v     v     v     v     v     v     v   0/1     ^     v   0/2   1/3   1/4   2/5   3/6   5/8  7/10
J   32      v     v     v     v     v     v   0/1     ^     v   0/2   1/3   1/4   2/5   3/6   5/8  7/10 10/13
K   50      v     v     v     v     v   0/1     ^     v   0/2   1/3   1/4   2/5   3/6   5/8  7/10 10/13     ^
L   80      v     v     v     v   0/1     ^     v   0/2   1/3   1/4   2/5   3/6   5/8  7/10 10/13     ^     ^
M  125      v     v     v   0/1     ^     v   0/2   1/3   1/4   2/5   3/6   5/8  7/10 10/13     ^     ^     ^
N  200      v     v   0/1     ^     v   0/2   1/3   1/4   2/5   3/6   5/8  7/10 10/13     ^     ^     ^     ^
P  315      v   0/1     ^     v   0/2   1/3   1/4   2/5   3/6   5/8  7/10 10/13     ^     ^     ^     ^     ^
Q  500    0/1     ^     v   0/2   1/3   1/4   2/5   3/6   5/8  7/10 10/13     ^     ^     ^     ^     ^     ^
R  800      ^     ^   0/2   1/3   1/4   2/5   3/6   5/8  7/10 10/13     ^     ^     ^     ^     ^     ^     ^
"""

TABLES: dict[Severity, str] = {"normal": NORMAL, "tightened": TIGHTENED, "reduced": REDUCED}

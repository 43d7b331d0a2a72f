"""The sentence of a qualification, by what its clauses came to."""

from __future__ import annotations

import pytest

from stepwitness.findings import Verdict
from stepwitness.qualification.criteria import ClauseJudgement
from stepwitness.qualification.model import load_qualification
from stepwitness.qualification.wording import statement

PASS, FAIL, OPEN, UNSURE = Verdict.PASS, Verdict.FAIL, None, Verdict.INCONCLUSIVE


@pytest.mark.parametrize(
    ("verdicts", "word", "reason"),
    [
        ((PASS, PASS, PASS), "PASS", "3\u2009clauses met on 3\u2009units."),
        ((OPEN, OPEN, OPEN), "INCOMPLETE", "Clauses 1, 2 and 3 are still open."),
        ((PASS, UNSURE, OPEN), "INCOMPLETE", "Clause 3 is still open; clause 2 is not met."),
        ((PASS, FAIL, OPEN), "FAIL", "Clause 2: of 2. Clause 3 is still open."),
        ((UNSURE, PASS, PASS), "INCONCLUSIVE", "Clause 1: of 1."),
        ((UNSURE, FAIL, UNSURE), "FAIL", "Clause 2: of 2. Clauses 1 and 3 are not met either."),
    ],
)
def test_the_word_and_its_reason(laboratory, verdicts, word: str, reason: str) -> None:
    told = load_qualification(laboratory.file)
    judgements = {str(at): ClauseJudgement(one, f"of {at}.") for at, one in enumerate(verdicts, start=1)}
    found, words = statement(told, judgements)
    assert found == word
    assert words.startswith(f"qualification TB-Q-1, doser, revision A: {word}")
    assert words.endswith(reason)

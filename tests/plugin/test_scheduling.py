from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

pytest.importorskip("xdist")

from pytest_stepwitness.scheduling import chunk, scope


@pytest.mark.parametrize(
    ("node_id", "plan"),
    [
        ("rig/nightly.plan.yaml::doser::backlash::reversal_value", "rig/nightly.plan.yaml"),
        ("test_a.py::test_plan", None),
        ("test_a.py::test_b[x.plan.yaml::y]", None),
        ("nightly.plan.yaml", None),
    ],
)
def test_the_scope_is_the_plan_file_in_the_node_id(node_id: str, plan: str | None) -> None:
    assert scope(node_id) == plan


def test_without_plans_a_chunk_is_what_xdist_takes() -> None:
    assert chunk([3, 4, 5, 6], [None] * 7, wanted=2, least=2) == [3, 4]


def test_a_chunk_takes_a_whole_plan_however_interleaved_and_ends_with_it() -> None:
    scopes = ["a", "b", "a", None, "b", "a"]
    assert chunk(list(range(6)), scopes, wanted=2, least=2) == [0, 2, 5]


def test_a_plan_of_one_item_is_followed_by_another_so_that_no_worker_waits() -> None:
    assert chunk([0, 1, 2], ["a", "b", "b"], wanted=2, least=2) == [0, 1, 2]


scope_lists = st.lists(st.sampled_from(["a", "b", "c", None]), min_size=1, max_size=30)


@given(scope_lists, st.integers(1, 12), st.integers(1, 2))
def test_chunks_lose_nothing_repeat_nothing_and_split_no_plan(
    scopes: list[str | None], wanted: int, least: int
) -> None:
    pending = list(range(len(scopes)))
    sent = []
    while pending:
        taken = chunk(pending, scopes, wanted=wanted, least=min(least, wanted))
        assert taken, "a chunk of nothing would let the run hang"
        assert len(taken) >= min(least, wanted, len(pending))
        pending = [index for index in pending if index not in taken]
        plans = {scopes[index] for index in taken} - {None}
        assert not plans & {scopes[index] for index in pending}
        sent += taken
    assert sorted(sent) == list(range(len(scopes)))

from __future__ import annotations

import subprocess
import sys

import pytest

HEAVY = ("numpy", "scipy", "pyvisa", "serial", "yaml", "pydantic", "pint", "jinja2", "filelock")
HEAVY += ("sqlalchemy", "alembic", "psycopg", "pandas", "pyarrow")

PROBE = f"""
import sys
import pytest_stepwitness.plugin

def test_nothing_heavy_was_loaded():
    assert [name for name in {HEAVY!r} if name in sys.modules] == []
    assert not [name for name in sys.modules if name.startswith("stepwitness.")]
"""


def test_a_run_that_has_no_plan_loads_nothing_heavy(pytester: pytest.Pytester) -> None:
    pytester.makepyfile(PROBE)
    # randomly and hypothesis load numpy and yaml for themselves, where those are installed
    result = pytester.runpytest_subprocess("-p", "no:randomly", "-p", "no:hypothesispytest", "-W", "error")
    result.assert_outcomes(passed=1)


def test_importing_the_plugin_alone_loads_nothing_heavy() -> None:
    code = f"import sys, pytest_stepwitness.plugin; print([n for n in {HEAVY!r} if n in sys.modules])"
    told = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert told.stdout.strip() == "[]"


def test_switched_off_it_is_gone(pytester: pytest.Pytester) -> None:
    pytester.makefile(".plan.yaml", nightly="not a plan at all")
    pytester.makepyfile("def test_one(): pass")
    result = pytester.runpytest_subprocess("-p", "no:stepwitness", "-W", "error")
    result.assert_outcomes(passed=1)
    assert result.ret == pytest.ExitCode.OK


def test_a_run_without_plans_leaves_no_folder(pytester: pytest.Pytester) -> None:
    pytester.makepyfile("def test_one(): pass")
    pytester.runpytest_inprocess("-p", "no:randomly").assert_outcomes(passed=1)
    assert not (pytester.path / "reports").exists()

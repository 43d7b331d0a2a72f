"""The command line: what it prints, its exit codes, and one line for each mistake."""
# ruff: noqa: E501  # the messages are the specification, each in one line

from __future__ import annotations

import io
import json
import subprocess
import sys
from pathlib import Path

import pytest

from stepwitness import cli
from stepwitness.plan.model import load_plan_and_bench
from stepwitness.records.journal import JournalWriter
from stepwitness.records.manifest import journal_path
from stepwitness.records.record import RunFacts, seal_record

TARNBROOK = Path(__file__).parents[1] / "benches" / "tarnbrook"

PLAN = """\
purpose: {purpose}
bench: doser.bench.yaml
procedures:
  - backlash:
      limits:
        reversal_value: {limit}
        lost_motion: 2 steps
"""


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    """The doser's bench file in a folder of its own."""
    (tmp_path / "doser.bench.yaml").write_text((TARNBROOK / "doser.bench.yaml").read_text())
    return tmp_path


def written_plan(folder: Path, *, limit: str = "25 um", purpose: str = "nightly") -> Path:
    path = folder / "nightly.plan.yaml"
    path.write_text(PLAN.format(limit=limit, purpose=purpose))
    return path


def sealed(folder: Path, *, limit: str = "25 um", purpose: str = "nightly", gauge: bool = True) -> Path:
    """A record of readings made by hand: the load comes 10 µm short on reversal, the motor 0.5 µm."""
    plan, bench = load_plan_and_bench(written_plan(folder, limit=limit, purpose=purpose))
    directory = folder / "run"
    directory.mkdir()
    with JournalWriter(journal_path(directory, "backlash"), {"procedure": "backlash"}) as journal:
        for place in range(3):
            for repeat in range(5):
                for up in (True, False):
                    at = 0.01 * (place + 1)
                    scatter = 1e-7 * (repeat % 3)
                    journal.write(
                        "reversals",
                        {
                            "place_index": place,
                            "place_m": at,
                            "drag_n": 0.0,
                            "repeat": repeat,
                            "up": up,
                            "claim_m": at,
                            "counted_m": at - (0.5e-6 if up else 0.0),
                            "gauge_m": at - (10e-6 if up else 0.0) + scatter if gauge else None,
                            "t_s": 1.0,
                        },
                    )
        journal.end("done")
    facts = RunFacts("run-1", "2026-11-25T02:10:00+00:00", "2026-11-25T02:12:00+00:00", "process", simulated=True)
    seal_record(directory, plan, bench, facts)
    return directory


class TestCheck:
    def test_says_what_would_move_and_what_the_bench_can_tell(
        self, folder: Path, capsys: pytest.CaptureFixture[str]
    ) -> None:
        path = written_plan(folder)
        assert cli.main(["check", str(path)]) == 0
        out, err = capsys.readouterr()
        assert err == ""
        words = " ".join(out.split())
        assert f"{path} on doser-rig-1" in words
        assert "backlash 3 places" in words
        assert "counter 1 µm 1 count the motor's shaft" in words
        assert "2 limits in 1 procedure; nothing moved" in words

    def test_a_folder_stands_for_its_plans(self, capsys: pytest.CaptureFixture[str]) -> None:
        assert cli.main(["check", str(TARNBROOK)]) == 0
        out = capsys.readouterr().out
        assert "doser.plan.yaml on doser-rig-1" in out
        assert "plate-lift.plan.yaml on lift-rig-1" in out

    def test_one_bad_plan_does_not_hide_the_next(self, folder: Path, capsys: pytest.CaptureFixture[str]) -> None:
        good = written_plan(folder)
        bad = folder / "bad.plan.yaml"
        bad.write_text(PLAN.format(limit="25 A", purpose="nightly"))
        assert cli.main(["check", str(bad), str(good)]) == 2
        out, err = capsys.readouterr()
        assert out.startswith(str(good))
        assert err == (
            f"{bad}:6 procedures.backlash.limits.reversal_value: a unit that doesn't measure travel; found 'A'; "
            "allowed: a quantity such as 2 mm, 15 um, 1/8 in\n"
        )

    @pytest.mark.parametrize(
        ("content", "problem"),
        [
            (PLAN.format(limit="25 um", purpose="nighty"), ":1 purpose: not one of its words; found 'nighty'"),
            (PLAN.replace("backlash:", "backlsh:").format(limit="1 um", purpose="nightly"), ":4 procedures.backlsh: an unknown procedure"),
            (PLAN.format(limit="25", purpose="nightly"), ":6 procedures.backlash.limits.reversal_value: a number without a unit"),
            (PLAN.format(limit="1 um", purpose="nightly\npurpose: nightly"), ":2 purpose: the key 'purpose' stands twice"),
            (PLAN.format(limit="1 um", purpose="nightly").replace("doser.bench", "dosre.bench"), ":2 bench: there is no such bench file"),
            ("purpose: [", "not YAML"),
            ("purpose", "a text where keys and values belong"),
            ("", "the file is empty"),
            ("\0", "not YAML: a character that text doesn't have"),
        ],
    )  # fmt: skip
    def test_each_mistake_is_one_line_and_no_traceback(
        self, folder: Path, capsys: pytest.CaptureFixture[str], content: str, problem: str
    ) -> None:
        path = folder / "nightly.plan.yaml"
        path.write_text(content)
        assert cli.main(["check", str(path)]) == 2
        out, err = capsys.readouterr()
        assert out == ""
        assert err.count("\n") == 1
        assert err.startswith(str(path))
        assert problem in err

    def test_a_stroke_beyond_the_envelope_is_told_at_the_bench(
        self, folder: Path, capsys: pytest.CaptureFixture[str]
    ) -> None:
        bench = folder / "doser.bench.yaml"
        bench.write_text(bench.read_text().replace("stroke: 60 mm", "stroke: 50 mm"))
        assert cli.main(["check", str(written_plan(folder))]) == 2
        assert "envelope.travel: an envelope beyond the stroke; found 1 mm to 59 mm" in capsys.readouterr().err

    def test_a_missing_witness_is_told_before_anything_moves(
        self, folder: Path, capsys: pytest.CaptureFixture[str]
    ) -> None:
        bench = folder / "doser.bench.yaml"
        text = bench.read_text()
        start = text.index("gauge:")
        bench.write_text(text[:start] + text[text.index("meter:") :])
        assert cli.main(["check", str(written_plan(folder))]) == 0
        words = " ".join(capsys.readouterr().out.split())
        assert "what it can't see play, wind-up and lead of the screw: nothing reads the load" in words

    def test_no_such_plan(self, folder: Path, capsys: pytest.CaptureFixture[str]) -> None:
        assert cli.main(["check", str(folder / "x.plan.yaml")]) == 2
        assert capsys.readouterr().err == f"{folder}/x.plan.yaml: there is no such file\n"

    def test_a_folder_without_plans(self, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
        assert cli.main(["check", str(tmp_path)]) == 2
        assert capsys.readouterr().err == f"{tmp_path}: a folder without plans; allowed: files named *.plan.yaml\n"


class TestSchema:
    @pytest.mark.parametrize(("file", "key"), [("bench", "axis"), ("plan", "procedures"), ("lot", "serials")])
    def test_prints_json(self, file: str, key: str, capsys: pytest.CaptureFixture[str]) -> None:
        assert cli.main(["schema", file]) == 0
        assert key in json.loads(capsys.readouterr().out)["properties"]


class TestRecords:
    def test_a_whole_record(self, folder: Path, capsys: pytest.CaptureFixture[str]) -> None:
        directory = sealed(folder)
        assert cli.main(["verify", str(directory)]) == 0
        assert capsys.readouterr().out.startswith(f"{directory}: whole, as sealed\n")

    def test_a_journal_that_was_touched(self, folder: Path, capsys: pytest.CaptureFixture[str]) -> None:
        directory = sealed(folder)
        journal = journal_path(directory, "backlash")
        journal.write_bytes(journal.read_bytes().replace(b"0.01", b"0.02", 1))
        assert cli.main(["verify", str(directory)]) == 1
        out = capsys.readouterr().out
        assert "backlash.journal.jsonl" in out
        assert f"{directory}: not what was sealed\n" in out
        assert cli.main(["evaluate", str(directory)]) == 1

    def test_evaluating_again_gives_the_same(self, folder: Path, capsys: pytest.CaptureFixture[str]) -> None:
        assert cli.main(["evaluate", str(sealed(folder))]) == 0
        out, err = capsys.readouterr()
        assert err == ""
        words = " ".join(out.split())
        assert words.startswith("nightly on doser-rig-1, run run-1, judged again")
        assert "≤ 25\u2009µm  PASS" in out
        assert "≤ 2\u2009steps" in out
        assert words.endswith("PASS 2 findings, as in the record")
        assert max(map(len, out.splitlines())) <= 80

    def test_a_finding_that_fails_exits_1(self, folder: Path, capsys: pytest.CaptureFixture[str]) -> None:
        assert cli.main(["evaluate", str(sealed(folder, limit="5 um"))]) == 1
        assert "FAIL" in capsys.readouterr().out

    @pytest.mark.parametrize(("purpose", "code"), [("nightly", 0), ("incoming", 1)])
    def test_what_cannot_be_seen_is_enough_for_a_nightly_run_alone(self, folder: Path, purpose: str, code: int) -> None:
        bench = folder / "doser.bench.yaml"
        text = bench.read_text()
        bench.write_text(text[: text.index("gauge:")] + text[text.index("meter:") :])
        assert cli.main(["evaluate", str(sealed(folder, purpose=purpose, gauge=False))]) == code

    def test_a_record_that_comes_out_otherwise_is_told(self, folder: Path, capsys: pytest.CaptureFixture[str]) -> None:
        directory = sealed(folder)
        path = directory / "record.json"
        record = path.read_text(encoding="utf-8")
        assert record.count('"verdict":"PASS"') > 1
        path.write_text(record.replace('"verdict":"PASS"', '"verdict":"FAIL"'), encoding="utf-8")
        assert cli.main(["evaluate", str(directory)]) == 1
        out, err = capsys.readouterr()
        assert "not as in the record" in out
        assert 'isn\'t what was sealed; now "FAIL"' in err

    @pytest.mark.parametrize(
        ("command", "told"),
        [
            ("evaluate", "there is no record here; allowed: a folder with record.json"),
            (
                "report",
                "there is no sealed document here; allowed: a folder with record.json, lot.json, qualification.json "
                "or installation.json",
            ),
        ],
    )
    def test_no_record(self, tmp_path: Path, command: str, told: str, capsys: pytest.CaptureFixture[str]) -> None:
        assert cli.main([command, str(tmp_path)]) == 2
        assert capsys.readouterr().err == f"{tmp_path}: {told}\n"

    @pytest.mark.parametrize(
        "content", ["", "[]", '{"schema":"other"}', '{"schema":"stepwitness-record/1","sections":{},"seal":{}}']
    )
    @pytest.mark.parametrize("command", ["verify", "evaluate"])
    def test_a_file_that_is_no_record(
        self, tmp_path: Path, command: str, content: str, capsys: pytest.CaptureFixture[str]
    ) -> None:
        (tmp_path / "record.json").write_text(content)
        assert cli.main([command, str(tmp_path)]) == 1
        out, err = capsys.readouterr()
        assert "record.json" in out + err

    def test_a_report_by_entry_point(self, folder: Path, capsys: pytest.CaptureFixture[str]) -> None:
        directory = sealed(folder)
        assert cli.main(["report", str(directory)]) == 0
        assert capsys.readouterr().out == f"{directory}/report.html\n"
        assert (directory / "report.html").stat().st_size > 0

    def test_an_unknown_renderer(self, folder: Path, capsys: pytest.CaptureFixture[str]) -> None:
        assert cli.main(["report", "--format", "htlm", str(sealed(folder))]) == 2
        assert capsys.readouterr().err == "no renderer 'htlm' is installed; allowed: html; did you mean 'html'?\n"


class TestManners:
    @pytest.mark.parametrize(
        ("arguments", "words"),
        [
            ([], "required: COMMAND"),
            (["chek"], "invalid choice: 'chek'"),
            (["check"], "required: PLAN"),
            (["schema", "x"], "invalid choice: 'x'"),
        ],
    )
    def test_wrong_usage_is_one_line(
        self, arguments: list[str], words: str, capsys: pytest.CaptureFixture[str]
    ) -> None:
        assert cli.main(arguments) == 2
        out, err = capsys.readouterr()
        assert out == ""
        assert err.startswith("stepwitness")
        assert err.count("\n") == 1
        assert words in err
        assert "--help" in err

    @pytest.mark.parametrize("arguments", [["--help"], ["check", "--help"], ["--version"]])
    def test_help_and_version(self, arguments: list[str], capsys: pytest.CaptureFixture[str]) -> None:
        with pytest.raises(SystemExit) as left:
            cli.main(arguments)
        assert left.value.code == 0
        assert capsys.readouterr().out

    def test_a_terminal_without_unicode(self, folder: Path, monkeypatch: pytest.MonkeyPatch) -> None:
        raw = io.BytesIO()
        monkeypatch.setattr(sys, "stdout", io.TextIOWrapper(raw, encoding="ascii"))
        assert cli.main(["check", str(written_plan(folder))]) == 0
        assert b"0.625 um  1 microstep" in raw.getvalue()

    def test_ctrl_c(self, folder: Path, monkeypatch: pytest.MonkeyPatch) -> None:
        def interrupted(*_: object) -> None:
            raise KeyboardInterrupt

        monkeypatch.setattr("stepwitness.plan.model.load_plan_and_bench", interrupted)
        assert cli.main(["check", str(written_plan(folder))]) == 130

    def test_a_reader_that_goes_away(self) -> None:
        code = "import sys; from stepwitness.cli import main; sys.exit(main(['schema', 'bench']))"
        with subprocess.Popen([sys.executable, "-c", code], stdout=subprocess.PIPE, stderr=subprocess.PIPE) as run:
            assert run.stdout is not None
            assert run.stderr is not None
            run.stdout.close()
            assert run.stderr.read() == b""
            assert run.wait() == 0

    def test_heavy_libraries_are_loaded_by_the_command_that_needs_them(self) -> None:
        heavy = ["numpy", "scipy", "pint", "yaml", "pydantic", "serial", "pyvisa", "jinja2"]
        code = f"import sys, stepwitness.cli; print([name for name in {heavy} if name in sys.modules])"
        done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
        assert done.stdout.strip() == "[]"


COLUMNS = """\
      columns:
        target: {column: target, unit: mm}
        run: {column: run}
        direction: {column: direction}
        deviation: {column: deviation, unit: um}
"""


class TestEvaluateCsv:
    """Readings of another machine: the doser's gauge alone, reversal 8 µm."""

    @pytest.fixture
    def plan(self, folder: Path) -> Path:
        bench = folder / "doser.bench.yaml"
        text = bench.read_text()
        bench.write_text("".join(line for line in text.splitlines(True) if not line.startswith("counter:")))
        path = folder / "theirs.plan.yaml"
        limits = "limits: {mean_reversal: 15 um, bidirectional_repeatability: 30 um}"
        path.write_text(
            f"purpose: incoming\nbench: doser.bench.yaml\nprocedures:\n  - repeatability:\n      {limits}\n{COLUMNS}"
        )
        return path

    @staticmethod
    def readings(folder: Path, *, reversal_um: float = 8.0) -> Path:
        lines = ["run,direction,target,deviation"]
        for run in range(5):
            for way, sign in (("up", -0.5), ("down", 0.5)):
                targets = range(5) if way == "up" else range(4, -1, -1)
                lines += [
                    f"{run},{way},{5 + 10 * at},{sign * reversal_um + 0.1 * ((run * 3 + at) % 5)}" for at in targets
                ]
        path = folder / "theirs.csv"
        path.write_text("\n".join(lines))
        return path

    def test_judges_them_and_leaves_a_record_with_its_report(
        self, folder: Path, plan: Path, capsys: pytest.CaptureFixture[str]
    ) -> None:
        into = folder / "run"
        assert cli.main(["evaluate-csv", str(plan), str(self.readings(folder)), "--into", str(into)]) == 0
        out, err = capsys.readouterr()
        assert err == ""
        words = " ".join(out.replace("\u2009", " ").split())
        assert "theirs on doser-rig-1, readings of" in words
        assert "mean reversal value" in words
        assert "2 of 2 limits hold (guarded acceptance, 95 % interval)" in words
        assert out.splitlines()[-1] == str(into / "report.html")
        assert cli.main(["verify", str(into)]) == 0
        assert cli.main(["evaluate", str(into)]) == 0

    def test_a_limit_that_doesnt_hold_exits_1(
        self, folder: Path, plan: Path, capsys: pytest.CaptureFixture[str]
    ) -> None:
        given = ["evaluate-csv", str(plan), str(self.readings(folder, reversal_um=40.0)), "--into", str(folder / "run")]
        assert cli.main(given) == 1
        assert "FAIL" in capsys.readouterr().out

    def test_a_mistake_in_the_file_is_one_line(
        self, folder: Path, plan: Path, capsys: pytest.CaptureFixture[str]
    ) -> None:
        path = self.readings(folder)
        path.write_text(path.read_text().replace("0,up,5,", "0,up,5,x", 1))
        assert cli.main(["evaluate-csv", str(plan), str(path), "--into", str(folder / "run")]) == 2
        out, err = capsys.readouterr()
        assert out == ""
        assert err.startswith(f"{path}:2 deviation: not a number; found 'x-4.0'")
        assert err.count("\n") == 1


def test_check_says_the_least_that_the_bench_can_tell(folder: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert cli.main(["check", str(written_plan(folder))]) == 0
    words = " ".join(capsys.readouterr().out.split())
    assert (
        "the least that it can tell from nothing, by its budget alone backlash: reversal value at the load B" in words
    )


def test_check_refuses_a_limit_below_it(folder: Path, capsys: pytest.CaptureFixture[str]) -> None:
    path = written_plan(folder, limit="0.05 um")
    assert cli.main(["check", str(path)]) == 2
    err = capsys.readouterr().err
    assert err.startswith(
        f"{path}:6 procedures.backlash.limits.reversal_value: a limit below the least that this bench"
    )


def test_check_tells_a_part_that_is_not_installed(folder: Path, capsys: pytest.CaptureFixture[str]) -> None:
    bench = folder / "doser.bench.yaml"
    bench.write_text(bench.read_text().replace("drive: {part: stand-in}", "drive: {part: text-lime, port: COM5}"))
    assert cli.main(["check", str(written_plan(folder))]) == 2
    err = capsys.readouterr().err
    assert err == (
        f"{bench}:5 drive: an unknown kind of drive; found 'text-lime'; allowed: cia402, modbus, pulse-generator, text-line; did you mean 'text-line'?\n"
    )

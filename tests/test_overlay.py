"""What a medical director changes by ``--grammars DIR`` and no code: a limit, an interval, a required item, a drug."""

from __future__ import annotations

import io
import json
from pathlib import Path

import pytest
from report_cases import told_file

from voicelog.cli import main
from voicelog.grammar.loader import read_grammar, shipped_grammars

SOURCE = 'source = "our medical director"\ndate = 2026-11-20\n'
MORPHINE = (
    '[drug.morphine]\nnames = ["morphine"]\nunits = ["mg"]\nroutes = ["intravenous"]\n'
    f'ask_above = [{{dose = %s, unit = "mg"}}]\n{SOURCE}'
)
HYOSCINE = (
    f'[drug.hyoscine]\nnames = ["hyoscine"]\nunits = ["mg"]\nusual_unit = "mg"\nroutes = ["subcutaneous"]\n{SOURCE}'
)
TWO_DOSES = "naloxone two milligrams i n at ten thirty\nnaloxone two milligrams i n at ten thirty five\n"


class Crew:
    """The command line with one overlay directory."""

    def __init__(self, folder: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch) -> None:
        self.folder, self._capsys, self._monkeypatch = folder, capsys, monkeypatch
        (folder / "protocol").mkdir(parents=True)

    def drugs(self, text: str) -> Path:
        """Rows of a formulary."""
        return self._file(self.folder / "drugs.toml", text)

    def rules(self, text: str) -> Path:
        """Rows of a protocol."""
        return self._file(self.folder / "protocol" / "local.toml", text)

    def flags(self, lines: str, *, local: bool = True) -> tuple[list[list[str]], str]:
        """The flags of typed lines, and what was said on standard error; without the overlay if so wanted."""
        self._monkeypatch.setattr("sys.stdin", io.TextIOWrapper(io.BytesIO(lines.encode()), encoding="utf-8"))
        assert main(["parse", "-", "--json", *self._option(local)]) == 0
        captured = self._capsys.readouterr()
        return [json.loads(line)["flags"] for line in captured.out.splitlines()], captured.err

    def events(self, text: str, *, local: bool = True) -> list[dict[str, object]]:
        """The entries of one callout."""
        assert main(["parse", text, "--json", *self._option(local)]) == 0
        found: list[dict[str, object]] = json.loads(self._capsys.readouterr().out)["events"]
        return found

    def audit(self, case: Path, *, local: bool = True) -> tuple[set[str], str]:
        """The checks of an audit, and what was said on standard error."""
        main(["audit", str(case), "--json", *self._option(local)])
        captured = self._capsys.readouterr()
        found = [json.loads(line) for line in captured.out.splitlines()]
        return {str(one["check"]) for one in found if "check" in one}, captured.err

    def _option(self, local: bool) -> list[str]:
        return ["--grammars", str(self.folder)] if local else []

    @staticmethod
    def _file(path: Path, text: str) -> Path:
        path.write_text(text, encoding="utf-8")
        return path


@pytest.fixture
def crew(tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch) -> Crew:
    return Crew(tmp_path / "overlay", capsys, monkeypatch)


def test_a_limit_of_a_dose(crew: Crew) -> None:
    crew.drugs(MORPHINE % 3)
    assert crew.flags("morphine four milligrams i v", local=False) == ([[]], "")
    assert crew.flags("morphine four milligrams i v") == ([["dose_above_limit"]], "")


def test_a_limit_of_a_value(crew: Crew) -> None:
    crew.rules(f'[limit.heart_rate]\nunit = "/min"\nspan = {{low = 0, high = 230}}\n{SOURCE}')
    assert crew.flags("heart rate two forty", local=False) == ([[]], "")
    assert crew.flags("heart rate two forty") == ([["impossible"]], "")


def test_an_interval(crew: Crew) -> None:
    crew.rules(f"[repeat.naloxone]\nfrom_min = 10\n{SOURCE}")
    # The shipped interval is the label's two to three minutes.
    assert crew.flags(TWO_DOSES, local=False) == ([[], []], "")
    assert crew.flags(TWO_DOSES) == ([[], ["too_soon"]], "")


def test_a_required_item(crew: Crew, tmp_path: Path) -> None:
    case = told_file(tmp_path / "case.voicelog", (0.0, "heart rate ninety"))
    row = '[required.medical_direction]\nkind = "remark"\nfield = "text"\ncontains = "medical direction"\n'
    crew.rules(f"{row}{SOURCE}")
    assert "required.medical_direction" not in crew.audit(case, local=False)[0]
    assert "required.medical_direction" in crew.audit(case)[0]


def test_a_drug(crew: Crew) -> None:
    crew.drugs(HYOSCINE)
    assert crew.events("hyoscine ten milligrams subcutaneous", local=False) == []
    (event,) = crew.events("hyoscine ten milligrams subcutaneous")
    assert (event["drug"], event["dose"], event["route"]) == ("hyoscine", 10, "subcutaneous")


def test_a_bad_limit_of_a_dose_is_refused_and_the_shipped_row_in_force(crew: Crew) -> None:
    file = crew.drugs(MORPHINE % '"three"')
    flags, said = crew.flags("morphine four milligrams i v\nmorphine eleven milligrams i v")
    # Ten milligrams: the shipped design value.
    assert flags[0] == []
    assert "dose_above_limit" in flags[1]
    assert said.startswith(f"voicelog: {file}:")
    assert "ask_above" in said.splitlines()[0]


def test_a_bad_limit_of_a_value_is_refused_and_the_shipped_row_in_force(crew: Crew) -> None:
    file = crew.rules(f'[limit.heart_rate]\nunit = "/min"\nspan = {{low = 230, high = 0}}\n{SOURCE}')
    flags, said = crew.flags("heart rate two forty")
    assert flags == [[]]
    assert said.splitlines()[0] == f"voicelog: {file}:3: [limit.heart_rate] span: Value error, low 230 is above high 0"


def test_a_bad_interval_is_refused_and_the_shipped_row_in_force(crew: Crew) -> None:
    file = crew.rules(f'[repeat.naloxone]\nfrom_min = "ten"\n{SOURCE}')
    one_minute = TWO_DOSES.replace("thirty five", "thirty one")
    assert crew.flags(TWO_DOSES)[0] == [[], []]
    flags, said = crew.flags(one_minute)
    assert flags == [[], ["too_soon"]]
    assert said.startswith(f"voicelog: {file}:2: [repeat.naloxone] from_min: Input should be a valid decimal")


def test_a_bad_required_item_is_refused_and_the_shipped_row_in_force(crew: Crew, tmp_path: Path) -> None:
    case = told_file(tmp_path / "case.voicelog", (0.0, "heart rate ninety"))
    file = crew.rules(f'[required.age]\nkind = "patient"\nfield = "shoe_size"\n{SOURCE}')
    checks, said = crew.audit(case)
    assert "required.age" in checks
    assert said.startswith(f"voicelog: {file}:1: [required.age] ")
    assert "patient has no shoe_size" in said


@pytest.mark.parametrize(
    "field",
    [
        "names = 3",
        'names = "morphine"',
        "units = [1]",
        "routes = 2",
        "ask_above = [3]",
        'ask_above = [{dose = nan, unit = "mg"}]',
        'ask_above = [{dose = inf, unit = "mg"}]',
        'ask_above = [{dose = true, unit = "mg"}]',
        'ask_above = [{dose = 3, units = "mg"}]',
        "named_concentrations = [1]",
        "concentrations = 1",
        "usual_unit = 1",
        "source = 1",
    ],
)
def test_a_field_that_is_no_such_thing_is_refused(field: str, tmp_path: Path) -> None:
    rows = dict(line.split(" = ", 1) for line in (MORPHINE % 3).splitlines()[1:])
    key, value = field.split(" = ", 1)
    text = "\n".join(["[drug.morphine]", *(f"{name} = {said}" for name, said in {**rows, key: value}.items())])
    (tmp_path / "drugs.toml").write_text(text, encoding="utf-8")
    grammar = read_grammar([shipped_grammars(), tmp_path])
    (refused,) = grammar.refused
    assert (refused.file, refused.line) == (tmp_path / "drugs.toml", 1)
    assert key in refused.reason
    assert grammar.drugs["morphine"].place.file.parent == shipped_grammars()


def test_a_bad_drug_is_refused_and_the_others_are_there(crew: Crew) -> None:
    file = crew.drugs(HYOSCINE + MORPHINE.replace('["mg"]', '["pounds"]') % 3)
    flags, said = crew.flags("hyoscine ten milligrams subcutaneous\nmorphine four milligrams i v")
    assert flags == [[], []]
    assert said.startswith(f"voicelog: {file}:")
    assert "pounds" in said.splitlines()[0]

"""``voicelog drill score`` with the real recogniser: cache, bars, processes, a Dask cluster that loses a worker."""

from __future__ import annotations

import json
import os
import shutil
import signal
import sys
from pathlib import Path

import pytest
from drill_cases import recorded

from voicelog.cli import main
from voicelog.drill import work
from voicelog.drill.scoring import Scored, score_folder
from voicelog.drill.truth import drills_in
from voicelog.drill.work import CACHE, Heard, Task, hear_task, workers

pytestmark = pytest.mark.xdist_group("drill-score")
SAYS = {
    "first": ("pulse ninety", "patient contact"),
    "second": ("respiratory rate fourteen",),
    "third": ("blood glucose ninety two",),
}


@pytest.fixture(scope="module", name="made")
def made_drills(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Three small drills, heard once by one process."""
    folder = tmp_path_factory.mktemp("drills")
    for name, says in SAYS.items():
        recorded(folder, name, says)
    assert main(["drill", "score", str(folder), "--listeners", "sphinx", "--jobs", "1"]) == 0
    return folder


@pytest.fixture(name="drills")
def copied_drills(made: Path, tmp_path: Path) -> Path:
    return Path(shutil.copytree(made, tmp_path / "drills"))


@pytest.fixture(name="heard")
def tasks_done(monkeypatch: pytest.MonkeyPatch) -> list[str]:
    """Which recordings are really heard; the work is done in this process."""
    done: list[str] = []

    def noted(task: Task) -> str:
        done.append(task.suffix + str(len(task.audio)))
        return hear_task(task)

    monkeypatch.setattr(work, "hear_task", noted)
    monkeypatch.setattr(work, "ProcessPoolExecutor", lambda jobs, mp_context: work_here())
    return done


def work_here() -> object:
    from concurrent.futures import ThreadPoolExecutor

    return ThreadPoolExecutor(1)


def scores(folder: Path) -> object:
    table = json.loads((folder / "scores.json").read_text())
    for one in table["listeners"].values():
        del one["figures"]["delay"]
        for callout in one["callouts"]:
            del callout["delay_s"]
    return table


def test_clear_callouts_are_entered_as_said_and_the_results_are_kept(
    drills: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert main(["drill", "score", str(drills), "--listeners", "sphinx", "--json"]) == 0
    (row,) = [json.loads(text) for text in capsys.readouterr().out.splitlines()]
    assert row["listener"] == "sphinx"
    assert row["callouts"] == sum(map(len, SAYS.values()))
    assert row["outcomes"]["wrong"] == 0
    saved = json.loads((drills / "scores.json").read_text())
    assert saved["listeners"]["sphinx"]["options"]["engine"].startswith("pocketsphinx")
    assert [one["said"] for one in saved["listeners"]["sphinx"]["callouts"]] == [
        say for name in sorted(SAYS) for say in SAYS[name]
    ]
    assert all(one["delay_s"] > 0 for one in saved["listeners"]["sphinx"]["callouts"] if one["delay_s"] is not None)


def test_a_missed_bar_is_exit_code_1_and_a_met_one_0(drills: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["drill", "score", str(drills), "--listeners", "sphinx", "--require", "exact=0,wrong=0"]) == 0
    assert "● met     sphinx: wrong at most 0" in capsys.readouterr().out
    record = drills / "second.truth.json"
    record.write_text(record.read_text().replace('"value": 14', '"value": 40'))
    assert main(["drill", "score", str(drills), "--listeners", "sphinx", "--require", "exact=1"]) == 1
    assert "✕ MISSED  sphinx: exact at least 1" in capsys.readouterr().out


def test_what_was_heard_is_not_heard_again(drills: Path, heard: list[str]) -> None:
    before = scores(drills)
    assert main(["drill", "score", str(drills), "--listeners", "sphinx"]) == 0
    assert heard == []
    assert scores(drills) == before


def test_a_run_that_was_broken_off_goes_on_where_it_was(drills: Path, heard: list[str]) -> None:
    before = scores(drills)
    torn, *_ = sorted((drills / CACHE).iterdir())
    torn.write_text(torn.read_text()[:40])
    assert main(["drill", "score", str(drills), "--listeners", "sphinx"]) == 0
    assert len(heard) == 1
    assert scores(drills) == before


def test_other_sound_or_another_grammar_is_heard_anew(drills: Path, heard: list[str], tmp_path: Path) -> None:
    overlay = tmp_path / "overlay"
    overlay.mkdir()
    (overlay / "own.toml").write_text('[phrase.hat]\nsay = ["hat on"]\nevent = {kind = "remark", text = "hat"}\n')
    assert main(["drill", "score", str(drills), "--listeners", "sphinx", "--grammars", str(overlay)]) == 0
    assert len(heard) == len(SAYS)
    recorded(drills, "second", ("respiratory rate fifteen",))
    assert main(["drill", "score", str(drills), "--listeners", "sphinx"]) == 0
    assert len(heard) == len(SAYS) + 1


def everything(scored: tuple[Scored, ...]) -> object:
    """All results but the times, which are of the machine."""
    return [(one.run, {name: value for name, value in one.figures.items() if name != "delay"}) for one in scored]


def test_a_cluster_that_loses_a_worker_gives_what_one_process_gives(made: Path, tmp_path: Path) -> None:
    distributed = pytest.importorskip("distributed")
    drills = drills_in(made)
    with workers(1) as pool:
        alone = score_folder(drills, ["sphinx"], [], pool)
    killed: list[int] = []
    with (
        distributed.LocalCluster(n_workers=2, threads_per_worker=1, dashboard_address=None) as cluster,
        distributed.Client(cluster) as client,
    ):
        pids = client.run(os.getpid)

        def kill_one(heard: Heard) -> None:
            if not killed:
                busy = {worker for worker, tasks in client.processing().items() if tasks}
                killed.append(pids[sorted(busy or pids)[0]])
                os.kill(killed[0], signal.SIGKILL)

        with workers(1, cluster.scheduler_address) as pool:
            assert pool[1] == 2
            there = score_folder(drills, ["sphinx"], [], pool, kill_one, kept=tmp_path / "kept")
    assert killed
    assert everything(there) == everything(alone)


def test_a_scheduler_that_does_not_answer_is_one_line(
    drills: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    pytest.importorskip("distributed")
    monkeypatch.setattr(work, "_CONNECT_S", 0.5)
    assert main(["drill", "score", str(drills), "--scheduler", "tcp://127.0.0.1:9"]) == 2
    assert "no Dask scheduler answers at tcp://127.0.0.1:9" in capsys.readouterr().err


@pytest.mark.parametrize("name", ["jiwer", "scipy"])
def test_a_missing_library_is_told_before_anything_is_heard(
    name: str, drills: Path, heard: list[str], capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    shutil.rmtree(drills / CACHE)
    monkeypatch.setitem(sys.modules, name, None)
    assert main(["drill", "score", str(drills), "--listeners", "sphinx"]) == 2
    assert "pip install 'voicelog[drill]'" in capsys.readouterr().err
    assert heard == []


@pytest.mark.parametrize(
    ("arguments", "message"),
    [
        (["--listeners", "nobody"], "there is no recogniser 'nobody'"),
        (["--require", "speed=1"], "--require knows no measure 'speed'"),
        (["--jobs", "0"], "--jobs 0 is below 1"),
    ],
)
def test_wrong_use_is_one_line_and_a_hint(
    arguments: list[str], message: str, drills: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert main(["drill", "score", str(drills), *arguments]) == 2
    told = capsys.readouterr().err
    assert message in told
    assert "hint:" in told

"""Help: every command has it, with examples that name the command and the caution."""

from __future__ import annotations

import argparse

import pytest

from voicelog import __version__
from voicelog.cli import build_parser, main


def commands() -> list[str]:
    (choices,) = (
        action.choices for action in build_parser()._actions if isinstance(action, argparse._SubParsersAction)
    )
    return list(choices)


def helped(capsys: pytest.CaptureFixture[str], *arguments: str) -> str:
    with pytest.raises(SystemExit) as ended:
        main([*arguments, "--help"])
    assert ended.value.code == 0
    return " ".join(capsys.readouterr().out.split())


def test_the_commands_of_this_version() -> None:
    assert commands() == [
        "replay",
        "listen",
        "parse",
        "show",
        "handover",
        "audit",
        "review",
        "key",
        "forget-audio",
        "grammar",
        "doctor",
        "export",
        "import",
        "query",
        "list",
        "drill",
    ]


@pytest.mark.parametrize("command", commands())
def test_every_command_has_help_with_examples_and_the_caution(capsys: pytest.CaptureFixture[str], command: str) -> None:
    text = helped(capsys, command)
    assert f"examples: voicelog {command}" in text or f"| voicelog {command}" in text
    assert "not a medical device" in text


@pytest.mark.parametrize("action", ["make", "scripts", "record", "import", "score", "report", "learn"])
def test_every_drill_action_has_help_with_examples_and_the_caution(
    capsys: pytest.CaptureFixture[str], action: str
) -> None:
    text = helped(capsys, "drill", action)
    assert f"examples: voicelog drill {action}" in text
    assert "not a medical device" in text
    assert f" {action} " in helped(capsys, "drill")


@pytest.mark.parametrize("command", commands())
def test_every_argument_of_every_command_is_explained(command: str) -> None:
    (choices,) = (
        action.choices for action in build_parser()._actions if isinstance(action, argparse._SubParsersAction)
    )
    unexplained = [
        action.dest
        for action in choices[command]._actions
        if not action.help and action.dest not in {"case", "action"}
    ]  # fmt: skip
    assert not unexplained


def test_the_overview_names_every_command_and_the_exit_codes(capsys: pytest.CaptureFixture[str]) -> None:
    text = helped(capsys)
    for command in commands():
        assert f" {command} " in text
    assert "0 done, 1 findings, 2 wrong use or bad input" in text


def test_no_command_prints_the_overview_and_is_wrong_use(capsys: pytest.CaptureFixture[str]) -> None:
    assert main([]) == 2
    assert "examples:" in capsys.readouterr().out


def test_the_version_is_printed(capsys: pytest.CaptureFixture[str]) -> None:
    with pytest.raises(SystemExit):
        main(["--version"])
    assert capsys.readouterr().out == f"voicelog {__version__}\n"

"""The command line: reads arguments, runs one command, turns errors into one line, a hint and an exit code."""

from __future__ import annotations

import argparse
import importlib
import os
import sys
from collections.abc import Sequence
from pathlib import Path

from voicelog import __version__
from voicelog.casefile.secret import named_passphrase
from voicelog.defects import told, told_threads
from voicelog.drill_arguments import add_drill
from voicelog.errors import GrammarError, VoicelogError
from voicelog.many.questions import QUESTIONS
from voicelog.recognisers.registry import FOR_AUDIO
from voicelog.views.screen import printable

DONE, FINDINGS, WRONG_USE, DEFECT = 0, 1, 2, 70
_CAUTION = (
    "A documentation and training aid, not a medical device. Local protocols, medical direction and licensed practice "
    "come first; verify every entry. It never recommends treatment."
)
_EPILOG = f"""examples:
  voicelog replay samples/asthma.flac
  voicelog parse "blood pressure one eighteen over seventy six"
  voicelog show mycase.voicelog
  voicelog doctor

exit codes: 0 done, 1 findings, 2 wrong use or bad input, 70 a defect of voicelog

{_CAUTION}
"""


class _Parser(argparse.ArgumentParser):
    """argparse, with wrong use told as one line and a hint like every other error."""

    def error(self, message: str) -> None:  # type: ignore[override]
        raise VoicelogError(message, f"See: {self.prog} --help")


def build_parser() -> argparse.ArgumentParser:
    """The whole command line."""
    parser = _Parser(
        prog="voicelog",
        description="Hears an emergency crew's callouts and keeps a checked, traceable record.",
        epilog=_EPILOG,
        formatter_class=argparse.RawDescriptionHelpFormatter,
    )
    parser.add_argument("--version", action="version", version=f"voicelog {__version__}")
    commands = parser.add_subparsers(dest="command", metavar="COMMAND", parser_class=_Parser)

    replay = _command(
        commands,
        "replay",
        "run recordings through the whole pipeline as if live",
        "voicelog replay samples/asthma.flac\n  voicelog replay drill.wav --case drill.voicelog --json",
    )
    replay.add_argument("audio", nargs="+", type=Path, metavar="AUDIO", help="WAV, FLAC or Ogg, any rate and channels")
    replay.add_argument(
        "--case", type=Path, metavar="FILE", help="write the case file here (default: user data directory)"
    )
    replay.add_argument(
        "--listener",
        choices=FOR_AUDIO,
        help="which recogniser hears (default: the first that runs here of pair, vosk, sphinx)",
    )
    replay.add_argument(
        "--attention",
        metavar="WORD",
        default="",
        help="take only callouts that begin with this word (default: none needed); answers need none",
    )
    _kept(replay)
    replay.add_argument("--svg", type=Path, metavar="FILE", help="also save what is printed as a picture")
    replay.add_argument(
        "--start",
        metavar="TIME",
        help="clock time of the first sample, ISO with offset (default: the recording's DATE tag, else now)",
    )
    _common(replay)

    listen = _command(
        commands,
        "listen",
        "a live session: microphone, spoken read-back, board",
        "voicelog listen\n  voicelog listen --device headset --output headset --full-duplex\n"
        "  voicelog listen --resume mycase.voicelog",
    )
    listen.add_argument("--case", type=Path, metavar="FILE", help="write here (default: user data directory)")
    listen.add_argument("--resume", type=Path, metavar="CASE", help="go on with a case that was broken off")
    listen.add_argument(
        "--listener",
        choices=FOR_AUDIO,
        help="which recogniser hears (default: the first that runs here of pair, vosk, sphinx)",
    )
    listen.add_argument("--device", metavar="IN", help="microphone by name or number (default: the system's)")
    listen.add_argument("--output", metavar="OUT", help="loudspeaker by name or number (default: the system's)")
    listen.add_argument("--mute", action="store_true", help="no voice, only tones")
    listen.add_argument(
        "--full-duplex", action="store_true", help="with a headset: take what is said during a read-back as any other"
    )
    listen.add_argument("--voice", metavar="NAME", help="voice of the read-backs (default: the best here)")
    listen.add_argument(
        "--attention",
        metavar="WORD",
        default="",
        help="take only callouts that begin with this word; answers need none",
    )
    _kept(listen)
    listen.add_argument(
        "--pace", action="store_true", help="soft tone at the protocol's ventilation rate while it runs"
    )
    listen.add_argument("--no-board", action="store_true", help="a line for each happening in place of the board")
    _common(listen)

    parse = _command(
        commands,
        "parse",
        "typed words through grammar, parser and checks",
        'voicelog parse "epi one milligram i v push"\n  echo "pulse ninety" | voicelog parse - --json',
    )
    text = (
        "one callout, or - for a callout a line from standard input: each is answered by a line, and all are one course"
    )
    text += " for the checks, until a confirmed end of case"
    parse.add_argument("text", metavar="TEXT", help=text)
    _common(parse)

    show = _command(commands, "show", "the timeline of a case file", "voicelog show mycase.voicelog")
    show.add_argument("case", type=Path, metavar="CASE")
    show.add_argument("--json", action="store_true", help="one JSON object a line")
    _passphrase(show)

    handover = _command(
        commands,
        "handover",
        "a report of a case that can be read aloud in 30 seconds",
        "voicelog handover mycase.voicelog\n  voicelog handover mycase.voicelog --format mist --speak",
    )
    handover.add_argument("case", type=Path, metavar="CASE")
    handover.add_argument(
        "--format",
        choices=["sbar", "mist"],
        default="sbar",
        help="sbar: situation, background, assessment, what is pending; mist: complaint, illness, signs, treatment",
    )
    handover.add_argument("--speak", action="store_true", help="also say it")
    _passphrase(handover)
    _common(handover)

    audit = _command(
        commands,
        "audit",
        "what a case lacks, contradicts or leaves open, and whether its hash chain holds",
        "voicelog audit mycase.voicelog\n  voicelog audit mycase.voicelog --grammars overlay --json\n"
        "  voicelog audit mycase.voicelog --public-key device.pub --head 5a0c...",
    )
    audit.add_argument("case", type=Path, metavar="CASE")
    audit.add_argument(
        "--head", metavar="HASH", help="the head that was printed or exported before must be in the chain"
    )
    audit.add_argument(
        "--public-key",
        type=Path,
        action="append",
        default=[],
        metavar="FILE",
        help="the end of the case must be signed with this key (may be given again)",
    )
    _passphrase(audit)
    _common(audit)

    review = _command(
        commands,
        "review",
        "a page to see, hear and judge a case: which words became which entry",
        "voicelog review mycase.voicelog\n  voicelog review cases/\n"
        "  voicelog review mycase.voicelog --html mycase.html",
    )
    review.add_argument("case", type=Path, metavar="CASE", help="a case file, or a folder of them")
    review.add_argument("--html", type=Path, metavar="FILE", help="write one file to read anywhere, and serve nothing")
    review.add_argument("--no-audio", action="store_true", help="with --html: leave the audio out")
    review.add_argument("--no-open", action="store_true", help="print the address and open no browser")
    review.add_argument("--schemas", type=Path, metavar="DIR", help="check NEMSIS documents against these schemas")
    review.add_argument("--details", type=Path, metavar="FILE", help="NEMSIS: TOML of what no callout says, by element")
    _sign(review)
    _passphrase(review)
    _common(review, lines=False)

    key = _command(
        commands,
        "key",
        "a key of this device that signs cases when they close",
        "voicelog key make device.key\n  voicelog key public device.key > device.pub",
    )
    key.add_argument("action", choices=["make", "public"], help="make: a new key file; public: print what checks it")
    key.add_argument("file", type=Path, metavar="FILE", help="the key file, which stays on the device")

    forget = _command(
        commands,
        "forget-audio",
        "delete the audio of a closed case; the record and the hashes of the clips stay",
        "voicelog forget-audio mycase.voicelog --reason 'reviewed and signed off'",
    )
    forget.add_argument("case", type=Path, metavar="CASE")
    forget.add_argument("--reason", default="", metavar="TEXT", help="why, for the record")
    _sign(forget)
    _passphrase(forget)
    forget.set_defaults(module="forget_audio")

    grammar = _command(
        commands,
        "grammar",
        "check what can be said, list its words, print a callout card or an open-standard form",
        "voicelog grammar check\n  voicelog grammar check --grammars overlay\n"
        "  voicelog grammar words --missing\n  voicelog grammar card --out card.html\n"
        "  voicelog grammar jsgf > callouts.jsgf",
    )
    grammar.add_argument(
        "action",
        choices=["check", "words", "card", "jsgf"],
        help="check: find what cannot work as written; words: which recogniser knows which word; "
        "card: one page to print (HTML); jsgf: for other tools",
    )
    grammar.add_argument("--out", type=Path, metavar="FILE", help="with card or jsgf: write here (default: print)")
    grammar.add_argument("--missing", action="store_true", help="with words: only those that a recogniser here lacks")
    _common(grammar)

    doctor = _command(
        commands,
        "doctor",
        "what works here, and how to mend what does not",
        "voicelog doctor --json\n  voicelog doctor --audio\n  voicelog doctor --audio --microphone headset",
    )
    doctor.add_argument("--audio", action="store_true", help="sound: devices, level, noise, a sentence heard back")
    doctor.add_argument("--microphone", metavar="NAME", help="with --audio: input by name or number")
    doctor.add_argument("--loudspeaker", metavar="NAME", help="with --audio: output by name or number")
    doctor.add_argument("--voice", metavar="NAME", help="with --audio: voice of the read-backs (default: the best)")
    doctor.add_argument("--mute", action="store_true", help="with --audio: no voice, only tones")
    doctor.add_argument("--listener", choices=FOR_AUDIO, help="with --audio: which recogniser")
    _common(doctor)

    export = _command(
        commands,
        "export",
        "a case in an open standard, as a table, as lines or as a copy",
        "voicelog export mycase.voicelog --to fhir --out mycase.fhir.json\n"
        "  voicelog export mycase.voicelog --to nemsis --schemas XSD-FOLDER --out mycase.xml\n"
        "  voicelog export mycase.voicelog --to sqlite --out copy.voicelog\n"
        "  voicelog export mycase.voicelog --to sqlite --encrypt --passphrase-file secret --out sealed.voicelog\n"
        "  voicelog export cases --to parquet --out tables",
    )
    export.add_argument("case", type=Path, metavar="CASE", help="a case file; for parquet also a folder of them")
    export.add_argument("more", type=Path, nargs="*", metavar="CASE", help="parquet: further case files or folders")
    export.add_argument(
        "--to",
        required=True,
        choices=["fhir", "nemsis", "csv", "jsonl", "sqlite", "parquet"],
        help="fhir: R4B bundle; nemsis: v3.5.1 document; csv: a row an event; jsonl: lossless; sqlite: a copy; "
        "parquet: tables of many cases, by month",
    )
    export.add_argument("--out", type=Path, metavar="FILE", help="write a new file (default: standard output)")
    export.add_argument("--schemas", type=Path, metavar="DIR", help="nemsis: check against the official schemas in DIR")
    export.add_argument("--details", type=Path, metavar="FILE", help="nemsis: TOML of what no callout says, by element")
    export.add_argument("--no-audio", action="store_true", help="jsonl: leave the audio clips out")
    export.add_argument(
        "--encrypt", action="store_true", help="sqlite: encrypt the copy of a case that is not; the case itself stays"
    )
    _passphrase(export)
    export.add_argument(
        "--deidentify",
        action="store_true",
        help="without what could lead to the patient, after the safe harbour list of 45 CFR 164.514(b)(2): names, free "
        "text, audio and hashes left out, dates moved within their year, ages over 89 as 90 or more",
    )
    export.add_argument(
        "--grammars", type=Path, action="append", default=[], metavar="DIR", help="overlay whose drugs name their codes"
    )

    imported = _command(
        commands,
        "import",
        "a case file from an export in lines, every hash checked",
        "voicelog import mycase.jsonl --case again.voicelog",
    )
    imported.add_argument("file", type=Path, metavar="FILE", help="what voicelog export --to jsonl wrote")
    imported.add_argument("--case", type=Path, required=True, metavar="NEW", help="the case file to make")
    _passphrase(imported)
    imported.set_defaults(module="import_case")

    query = _command(
        commands,
        "query",
        "a question in SQL over all cases of a folder",
        "voicelog query cases --name ventilation_to_drug\n  voicelog query --list\n"
        '  voicelog query cases "SELECT drug, count(*) FROM drugs WHERE standing GROUP BY drug" --csv',
    )
    query.add_argument("folder", type=Path, nargs="?", metavar="DIR", help="the folder; folders in it are not entered")
    query.add_argument("sql", nargs="?", metavar="SQL", help="one SELECT over the tables that --list names")
    query.add_argument("--name", choices=list(QUESTIONS), help="a question that is ready made")
    query.add_argument("--list", action="store_true", help="the ready-made questions, the tables and their columns")
    query.add_argument("--json", action="store_true", help="one JSON object a line")
    query.add_argument("--csv", action="store_true", help="comma-separated, safe to open in a spreadsheet")
    _passphrase(query)

    listed = _command(
        commands,
        "list",
        "the case files of a folder: when, problem, drugs, open items, sign-off",
        "voicelog list cases\n  voicelog list cases --open\n  voicelog list cases --json",
    )
    listed.add_argument("folder", type=Path, metavar="DIR", help="the folder; folders in it are not entered")
    listed.add_argument("--open", action="store_true", help="only cases with open items, and what is damaged")
    listed.add_argument("--json", action="store_true", help="one JSON object a line")
    _passphrase(listed)
    listed.set_defaults(module="list_cases")
    add_drill(commands, _command, _common)
    return parser


def _command(
    commands: argparse._SubParsersAction[_Parser], name: str, text: str, examples: str
) -> argparse.ArgumentParser:
    return commands.add_parser(
        name,
        help=text,
        description=text[0].upper() + text[1:] + ".",
        epilog=f"examples:\n  {examples}\n\n{_CAUTION}",
        formatter_class=argparse.RawDescriptionHelpFormatter,
    )


def _common(parser: argparse.ArgumentParser, *, lines: bool = True) -> None:
    parser.add_argument(
        "--grammars",
        type=Path,
        action="append",
        default=[],
        metavar="DIR",
        help="overlay: its phrases, lists and drugs add to or replace the shipped ones (may be given again)",
    )
    if lines:
        parser.add_argument("--json", action="store_true", help="one JSON object a line")


def _kept(parser: argparse.ArgumentParser) -> None:
    """How a new case is kept."""
    parser.add_argument("--no-audio", action="store_true", help="keep no audio in the case file, only its hashes")
    _sign(parser)
    _passphrase(parser)


def _sign(parser: argparse.ArgumentParser) -> None:
    text = "sign the end of the case with this key, see `voicelog key` (default: the file in $VOICELOG_KEY, if any)"
    parser.add_argument("--sign", type=Path, metavar="KEYFILE", help=text)


def _passphrase(parser: argparse.ArgumentParser) -> None:
    text = "for encrypted case files: file with the passphrase (default: the file in $VOICELOG_PASSPHRASE_FILE, if any)"
    parser.add_argument("--passphrase-file", type=Path, metavar="FILE", help=text)


def main(argv: Sequence[str] | None = None) -> int:
    """Run one command; returns the exit code."""
    parser = build_parser()
    for stream in (sys.stdout, sys.stderr):
        # A terminal that cannot show a sign shows another in its place; it does not end a session.
        stream.reconfigure(errors="replace")  # type: ignore[union-attr]
    try:
        arguments = parser.parse_args(argv)
        if arguments.command is None:
            parser.print_help()
            return WRONG_USE
        module = getattr(arguments, "module", arguments.command)
        command = importlib.import_module(f"voicelog.commands.{module}")
        with named_passphrase(getattr(arguments, "passphrase_file", None)), told_threads(_complain):
            code: int = command.run(arguments)
        sys.stdout.flush()
        return code
    except VoicelogError as error:
        # Only a grammar file's error has more lines than one: it shows the place with a caret.
        lines = error.message.split("\n") if isinstance(error, GrammarError) else [error.message]
        _complain(f"voicelog: {lines[0]}", *lines[1:])
        if error.hint:
            _complain(f"hint: {error.hint}")
        return WRONG_USE
    except KeyboardInterrupt:
        _complain("voicelog: interrupted")
        return 130
    except BrokenPipeError:
        # The reader of our output went away, as `head` does; nothing is wrong with us.
        _drop_output()
        return DONE
    except OSError as error:
        _drop_output()
        _complain(f"voicelog: cannot read or write: {error}", "hint: Check the disk and its free space.")
        return WRONG_USE
    except Exception as error:
        # What a defect says may quote a patient's words, and logs travel; where it happened is enough to find it.
        _complain(*told(error))
        return DEFECT


def _drop_output() -> None:
    """Let what is still unwritten go nowhere, so that the interpreter does not fail on it when it ends."""
    os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())


def _complain(*lines: str) -> None:
    sys.stderr.writelines(f"{printable(line)}\n" for line in lines)

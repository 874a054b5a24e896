"""The local server of the review: who is let in, what is entered, and that nothing else changes the case."""

from __future__ import annotations

import csv
import io
import json
import re
import socket
import subprocess
import sys
import urllib.request
import zipfile
from pathlib import Path
from urllib.parse import quote
from xml.etree import ElementTree

import pytest
from case_files import ROOT, problems, stored
from checks_case import GRAMMAR, PROTOCOL
from hypothesis import given, settings
from hypothesis import strategies as st
from review_cases import LINES, heard_file
from starlette.testclient import TestClient

from voicelog.casefile.state import CaseState, fold
from voicelog.casefile.store import CaseFile
from voicelog.reviewing.app import review_app
from voicelog.reviewing.cases import Cases
from voicelog.reviewing.guards import Door

PORT = 34567
ORIGIN = f"http://127.0.0.1:{PORT}"


@pytest.fixture
def path(tmp_path: Path) -> Path:
    return heard_file(tmp_path / "case one.vlog", *LINES)


def browser(place: Path, door: Door | None = None, *, enter: bool = True) -> TestClient:
    door = door or Door(PORT)
    client = TestClient(review_app(Cases(place, GRAMMAR, PROTOCOL), door), base_url=ORIGIN)
    if enter:
        assert client.get("/", params={"token": door.token}).status_code == 200
    return client


def url(path: Path, rest: str = "") -> str:
    return f"/case/{path.name.replace(' ', '%20')}{rest}"


def post(client: TestClient, path: Path, rest: str, **values: str) -> int:
    form = {"head": stored(path)[-1].hash, "by": "R. One", "reason": "listened", **values}
    form = {name.replace("__", "."): text for name, text in form.items()}
    return client.post(url(path, rest), data=form, headers={"origin": ORIGIN}, follow_redirects=False).status_code


def state(path: Path) -> CaseState:
    assert problems(path) == []
    return fold(stored(path))


def name_of(path: Path, start: str) -> str:
    return next(one.id for one in state(path).events if start in str(one.event.model_dump().values()))


# --- who is let in -------------------------------------------------------------------------------------------------


def test_the_address_opens_once(path: Path) -> None:
    door = Door(PORT)
    first, second = browser(path, door), browser(path, door, enter=False)
    assert first.get(url(path)).status_code == 200
    assert second.get("/", params={"token": door.token}).status_code == 403
    assert second.get(url(path)).status_code == 403


@pytest.mark.parametrize("token", ["", "x", "é", "0" * 43])
def test_another_token_is_refused(path: Path, token: str) -> None:
    client = browser(path, enter=False)
    answer = client.get("/", params={"token": token})
    assert answer.status_code == 403
    assert "heart rate" not in answer.text


@pytest.mark.parametrize("host", ["localhost:34567", "127.0.0.1", "evil.example:34567", f"127.0.0.1:{PORT + 1}"])
def test_a_wrong_host_is_refused(path: Path, host: str) -> None:
    assert browser(path).get(url(path), headers={"host": host}).status_code == 403


@pytest.mark.parametrize(
    "headers",
    [{}, {"origin": "null"}, {"origin": "http://evil.example"}, {"origin": ORIGIN, "sec-fetch-site": "cross-site"}],
)
def test_a_judgement_from_another_origin_is_refused(path: Path, headers: dict[str, str]) -> None:
    client, before = browser(path), stored(path)
    form = {"head": before[-1].hash, "by": "R", "reason": "why"}
    assert client.post(url(path, "/entry/E1/accept"), data=form, headers=headers).status_code == 403
    assert stored(path) == before


@pytest.mark.parametrize("rest", ["/entry/E1/accept", "/sign-off", "/undo/9", "/comment"])
def test_a_judgement_is_not_made_by_get(path: Path, rest: str) -> None:
    client, before = browser(path), stored(path)
    assert client.get(url(path, rest)).status_code in (404, 405)
    assert stored(path) == before


def test_every_answer_carries_the_policy_and_is_not_kept(path: Path) -> None:
    client = browser(path)
    for rest in ("", "/entry/E1", "/utterance/U1", "/whole", "/entry/E99", "/export/csv", "/export/nothing"):
        headers = client.get(url(path, rest)).headers
        assert headers["content-security-policy"].startswith("default-src 'none'")
        assert "unsafe" not in headers["content-security-policy"]
        assert headers["cache-control"] == "no-store"


@pytest.mark.parametrize("name", ["...", "%2e%2e%2fother", "other.vlog", "case one.vlog%00", "/etc/passwd"])
def test_only_a_listed_case_is_served(path: Path, name: str) -> None:
    heard_file(path.parent / "other.vlog", *LINES[:1])
    assert browser(path).get(f"/case/{name}").status_code == 404


# --- what is entered -----------------------------------------------------------------------------------------------


def test_the_page_offers_and_takes_an_acceptance(path: Path) -> None:
    client, drug = browser(path), name_of(path, "naloxone")
    assert f"/entry/{drug}" in client.get(url(path)).text
    assert post(client, path, f"/entry/{drug}/accept") == 303
    found = next(one for one in state(path).events if one.id == drug)
    assert (found.status, found.basis) == ("confirmed", "accepted in review by R. One")
    assert "R. One" in client.get(url(path)).text


def test_an_amended_field_and_its_reason_are_entered(path: Path) -> None:
    client, drug = browser(path), name_of(path, "naloxone")
    form = client.get(url(path, f"/entry/{drug}")).text
    assert 'name="field.dose"' in form
    assert post(client, path, f"/entry/{drug}/amend", field__dose="0.8") == 303
    assert [one.amends for one in state(path).events if one.amends] == [drug]
    # What a reviewer wrote is told from what was heard, and from what the phrase means.
    assert 'class="field written">dose <b>0.8</b> <small>written by the reviewer</small>' in client.get(url(path)).text


def test_a_missed_callout_is_added_by_the_grammar(path: Path) -> None:
    client = browser(path)
    assert post(client, path, "/utterance/U7/add", callout="oxygen saturation ninety two percent") == 303
    added = state(path).events[-1]
    assert (added.utterance, added.status) == ("U7", "confirmed")
    assert added.event.model_dump()["value"] == 92


def test_words_that_are_no_callout_add_nothing_and_are_kept_in_the_form(path: Path) -> None:
    client, before = browser(path), stored(path)
    form = {"head": before[-1].hash, "by": "R. One", "reason": "listened", "callout": "about twelve things"}
    answer = client.post(url(path, "/utterance/U7/add"), data=form, headers={"origin": ORIGIN})
    assert answer.status_code == 422
    assert 'value="about twelve things"' in answer.text
    assert stored(path) == before


def test_error_comment_sign_off_and_undo(path: Path) -> None:
    client = browser(path)
    assert post(client, path, "/entry/E2/error") == 303
    assert post(client, path, "/comment", about="U7", text="not our patient") == 303
    assert post(client, path, "/sign-off") == 303
    signed = state(path)
    assert signed.signed_off is not None
    assert post(client, path, "/entry/E1/accept") == 422
    for rest in ("/entry/E1", "/utterance/U7"):
        page = client.get(url(path, rest)).text
        assert "undo the sign-off" in page
        assert "<form" not in page
    form = {"head": stored(path)[-1].hash, "by": "R. Two", "reason": "a long reason"}
    refused = client.post(url(path, "/entry/E1/error"), data=form, headers={"origin": ORIGIN})
    assert refused.status_code == 422
    assert "<li>reason: a long reason</li>" in refused.text
    assert post(client, path, f"/undo/{signed.signed_off.review}") == 303
    assert state(path).signed_off is None
    page = client.get(url(path)).text
    assert "not our patient" in page
    assert "entered in error, by R. One: listened" in page


def test_two_reviewers_the_later_is_shown_what_the_earlier_did_and_keeps_what_was_written(path: Path) -> None:
    one, two, drug = browser(path), browser(path), name_of(path, "naloxone")
    seen = stored(path)[-1].hash
    assert post(one, path, f"/entry/{drug}/accept") == 303
    before = stored(path)
    form = {"head": seen, "by": "R. Two", "reason": "a long reason", "field.dose": "0.8"}
    answer = two.post(url(path, f"/entry/{drug}/amend"), data=form, headers={"origin": ORIGIN})
    assert answer.status_code == 409
    assert "accepted in review by R. One" in answer.text
    assert 'value="a long reason"' in answer.text
    assert stored(path) == before
    assert post(two, path, f"/entry/{drug}/amend", by="R. Two", field__dose="0.8") == 303


def test_what_was_written_about_an_entry_that_another_amended_is_shown_with_the_new_one(path: Path) -> None:
    client, drug = browser(path), name_of(path, "naloxone")
    seen = stored(path)[-1].hash
    assert post(client, path, f"/entry/{drug}/amend", field__dose="0.8") == 303
    new = next(one.id for one in state(path).events if one.amends == drug)
    form = {"head": seen, "by": "R. Two", "reason": "a long reason", "field.dose": "0.6"}
    answer = client.post(url(path, f"/entry/{drug}/amend"), data=form, headers={"origin": ORIGIN})
    assert answer.status_code == 409
    assert "<li>reason: a long reason</li><li>dose: 0.6</li>" in answer.text
    assert f'href="{url(path)}/entry/{new}"' in answer.text


def test_while_another_writes_it_is_said_so(path: Path) -> None:
    client = browser(path)
    with CaseFile.open(path, write=True):
        assert post(client, path, "/entry/E1/accept") == 422


def test_a_script_in_a_name_is_text(path: Path) -> None:
    client = browser(path)
    assert post(client, path, "/entry/E1/accept", by="<script>alert(1)</script>") == 303
    for rest in ("", "/entry/E1", "/whole"):
        page = client.get(url(path, rest)).text
        assert "<script>alert" not in page
        assert "&lt;script&gt;alert" in page


def test_audio_and_exports_are_given(path: Path) -> None:
    client = browser(path)
    with CaseFile.open(path) as case:
        name = case.clip_names()[0]
        assert client.get(f"/clip/case%20one.vlog/{name}").content == case.clip(name)
    assert client.get(f"/clip/case%20one.vlog/{'0' * 64}").status_code == 422


@pytest.mark.parametrize("to", ["fhir", "nemsis", "csv", "jsonl", "sqlite", "parquet"])
def test_a_reviewed_case_goes_out_in_every_format(path: Path, to: str, tmp_path: Path) -> None:
    client, drug = browser(path), name_of(path, "naloxone")
    post(client, path, f"/entry/{drug}/amend", field__dose="0.8")
    post(client, path, "/utterance/U7/add", callout="oxygen saturation ninety two percent")
    assert f'href="{url(path)}/export/{to}"' in client.get(url(path)).text
    answer = client.get(url(path, f"/export/{to}"), params={"anyway": ""})
    assert answer.status_code == 200
    assert "attachment" in answer.headers["content-disposition"]
    out = tmp_path / "exported"
    out.write_bytes(answer.content)
    match to:
        case "fhir":
            assert json.loads(answer.text)["resourceType"] == "Bundle"
        case "nemsis":
            assert ElementTree.fromstring(answer.text).tag.endswith("EMSDataSet")
        case "csv":
            assert {row["dose"] for row in csv.DictReader(io.StringIO(answer.text))} >= {"0.3", "0.8"}
        case "jsonl":
            assert len(answer.text.splitlines()) > len(stored(path))
        case "sqlite":
            assert stored(out) == stored(path)
        case "parquet":
            names = zipfile.ZipFile(out).namelist()
            assert any(re.fullmatch(r"events/month=\d{4}-\d\d/part\.parquet", name) for name in names)


def test_what_an_export_cannot_tell_is_shown_before_it_is_saved(path: Path) -> None:
    # A NEMSIS document holds placeholders where no callout says what the standard demands.
    answer = browser(path).get(url(path, "/export/nemsis"))
    assert "content-disposition" not in answer.headers
    assert "placeholder" in answer.text
    assert f'href="{url(path)}/export/nemsis?anyway"' in answer.text


def test_the_sign_off_shows_what_is_still_open(path: Path) -> None:
    client = browser(path)
    assert "never confirmed" in client.get(url(path, "/whole")).text


# --- a folder ------------------------------------------------------------------------------------------------------


def test_a_folder_is_a_list_with_open_items_and_a_way_on(path: Path) -> None:
    heard_file(path.parent / "second.vlog", *LINES[:2])
    (path.parent / "notes.txt").write_text("no case")
    (path.parent / "broken.vlog").write_bytes(b"SQLite format 3\x00 broken")
    client = browser(path.parent)
    page = client.get("/").text
    assert page.count("<tr") == 4
    assert "cannot be read" in page
    assert "notes.txt" not in page
    assert 'href="/case/second.vlog">Next case' in client.get(url(path)).text
    assert 'href="/case/case%20one.vlog">Previous case' in client.get("/case/second.vlog").text


# --- whatever is sent ----------------------------------------------------------------------------------------------


@pytest.fixture(scope="module")
def fuzzed(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, TestClient]:
    path = heard_file(tmp_path_factory.mktemp("fuzz") / "case.vlog", *LINES[:3])
    return path, browser(path)


@settings(max_examples=60, deadline=None)
@given(
    rest=st.sampled_from(
        ["/entry/E1/amend", "/entry/E9/error", "/utterance/U1/add", "/undo/1", "/undo/x", "/sign-off", "/comment", "/x"]
    ),
    body=st.binary(max_size=80)
    | st.dictionaries(
        st.sampled_from(["by", "reason", "callout", "about", "text", "field.dose", "field.kind"]), st.text(max_size=20)
    ),
)
def test_whatever_is_sent_without_the_head_changes_nothing_and_shows_no_traceback(
    fuzzed: tuple[Path, TestClient], rest: str, body: bytes | dict[str, str]
) -> None:
    path, client = fuzzed
    before = stored(path)
    headers = {"origin": ORIGIN, "content-type": "application/x-www-form-urlencoded"}
    answer = (
        client.post(url(path, rest), content=body, headers=headers)
        if isinstance(body, bytes)
        else client.post(url(path, rest), data=body, headers={"origin": ORIGIN})
    )
    assert 400 <= answer.status_code < 500
    assert "Traceback" not in answer.text
    assert stored(path) == before


_PARTS = (
    st.sampled_from("case entry utterance E1 U1 E99 .. %2e%2e %00 whole export csv clip undo 1 accept amend".split())
    | st.sampled_from(["case.vlog", "é", "0" * 64, "", "'", "<b>", "comment", "sign-off"])
    | st.text(max_size=8)
)


@settings(max_examples=150, deadline=None)
@given(
    method=st.sampled_from(["GET", "HEAD", "POST", "PUT", "DELETE", "OPTIONS", "PATCH", "NONSENSE"]),
    parts=st.lists(_PARTS, max_size=5),
    query=st.dictionaries(st.sampled_from(["token", "anyway", "x"]), st.text(max_size=10), max_size=2),
    body=st.binary(max_size=60),
    kind=st.sampled_from(
        ["application/x-www-form-urlencoded", "application/json", "multipart/form-data", "é".encode()]
    ),
)
def test_no_address_and_no_method_shows_a_traceback_or_changes_the_case(
    fuzzed: tuple[Path, TestClient],
    method: str,
    parts: list[str],
    query: dict[str, str],
    body: bytes,
    kind: str,
) -> None:
    path, client = fuzzed
    before = stored(path)
    where = "/case/case.vlog/" if len(parts) % 2 else "/"
    address = where + "/".join(quote(part, safe="%") for part in parts).lstrip("/")
    answer = client.request(
        method, address, params=query, content=body, headers={"origin": ORIGIN, "content-type": kind}
    )
    assert answer.status_code < 500
    assert "Traceback" not in answer.text
    assert stored(path) == before


@settings(max_examples=60, deadline=None)
@given(
    rest=st.sampled_from(
        [
            "/entry/E1/amend",
            "/entry/E1/error",
            "/entry/E2/accept",
            "/utterance/U1/add",
            "/undo/4",
            "/comment",
            "/sign-off",
        ]
    ),
    values=st.dictionaries(
        st.sampled_from(
            ["by", "reason", "callout", "about", "text", "field.value", "field.unit", "field.kind", "head"]
        ),
        st.text(max_size=20) | st.sampled_from(["E1", "1e999", "NaN", "-1", "0.00", "9" * 400, "pulse ninety"]),
    ),
)
def test_whatever_is_sent_with_the_head_leaves_a_case_that_is_whole(
    fuzzed: tuple[Path, TestClient], rest: str, values: dict[str, str]
) -> None:
    path, client = fuzzed
    before = stored(path)
    form = {"head": before[-1].hash, **values}
    answer = client.post(url(path, rest), data=form, headers={"origin": ORIGIN}, follow_redirects=False)
    after = stored(path)
    assert answer.status_code in (303, 409, 422)
    assert "Traceback" not in answer.text
    # What was there stays; more is there only if it was said to be entered, and then by somebody with a name.
    assert after[: len(before)] == before
    assert (len(after) > len(before)) == (answer.status_code == 303)
    assert problems(path) == []
    if answer.status_code == 303:
        assert after[len(before) + 1].body["by"] == values["by"].strip() != ""


def test_the_command_serves_on_this_machine_alone(path: Path) -> None:
    command = [sys.executable, "-m", "voicelog", "review", str(path), "--no-open"]
    served = subprocess.Popen(command, stdout=subprocess.PIPE, text=True, env={"PYTHONPATH": str(ROOT), "PATH": ""})
    try:
        assert served.stdout is not None
        found = re.search(r"http://127\.0\.0\.1:(\d+)/\?token=\S+", served.stdout.readline())
        assert found is not None
        opener = urllib.request.build_opener(urllib.request.HTTPCookieProcessor())
        assert b"what it became" in opener.open(found[0], timeout=20).read()
        with socket.socket() as other:
            # Another address of this very machine, which a server on every interface would answer.
            assert other.connect_ex(("127.0.0.2", int(found[1]))) != 0
    finally:
        served.terminate()
        served.wait(20)

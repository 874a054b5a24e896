"""Measures the review page of a long case, 2,000 utterances with their audio in 3 hours: served, opened, scrolled."""

from __future__ import annotations

import json
import os
import sys
import tempfile
import time
from datetime import timedelta
from decimal import Decimal
from pathlib import Path
from typing import Any

sys.path.insert(0, str(Path(__file__).parents[1]))

import soundfile
from browser import CHROMIUM, chromium, served, window
from case_files import ROOT
from checks_case import T0
from playwright.sync_api import Page
from report_cases import OPENED
from review_cases import model_of

from voicelog.audio.flac import encode_flac
from voicelog.casefile.chain import EntryDraft, clip_hash
from voicelog.casefile.store import CaseFile
from voicelog.events import Evidence, VitalSign, placed_in_time
from voicelog.recognisers.base import SAMPLE_RATE
from voicelog.views.review_page import review_html

UTTERANCES, HOURS, SCROLLS = 2000, 3, 200


def made(path: Path) -> Path:
    """A case in which every second utterance is a pulse; each clip is five seconds of a sample, from its own place."""
    words = ["heart", "rate", "ninety", "eight", "regular"]
    speech, _ = soundfile.read(ROOT / "samples" / "asthma.flac", dtype="int16")
    with CaseFile.create(path, OPENED, T0) as case:
        for number in range(1, UTTERANCES + 1):
            start = Decimal(number * HOURS * 3600) / UTTERANCES
            at = T0 + timedelta(seconds=float(start))
            heard = [
                {"text": word, "start": start + place, "end": start + place + 1, "confidence": None}
                for place, word in enumerate(words)
            ]
            clip = encode_flac(speech[number * 1000 : number * 1000 + 5 * SAMPLE_RATE])
            body: dict[str, Any] = {"id": f"U{number}", "start": start, "end": start + 5, "clip": clip_hash(clip)}
            body |= {"faults": [], "listener": "sphinx", "alternatives": [{"words": heard}]}
            drafts = [EntryDraft("utterance", body, at)]
            if number % 2:
                found = Evidence(words="ninety eight", start=start + 2, end=start + 4)
                event = VitalSign(sign="heart_rate", value=Decimal(98), unit="/min", evidence={"value": found})
                told: dict[str, Any] = {
                    "id": f"E{number}",
                    "event": placed_in_time(event, at, at).model_dump(),
                    "flags": [],
                }
                told |= {"needs_confirm": False, "utterance": f"U{number}", "amends": None}
                drafts += [
                    EntryDraft("event", told, at),
                    EntryDraft("read_back", {"text": "Heart rate nine eight.", "events": [f"E{number}"]}, at),
                ]
            else:
                drafts.append(EntryDraft("not_understood", {"reason": "no callout", "utterance": f"U{number}"}, at))
            case.append(drafts, [clip])
        case.close_case(T0 + timedelta(hours=HOURS))
    return path


def main() -> None:
    """Print the figures."""
    with tempfile.TemporaryDirectory() as folder:
        path = made(Path(folder) / "long.vlog")
        began = time.perf_counter()
        model = model_of(path)
        read = time.perf_counter()
        page = review_html(model)
        done = time.perf_counter()
        told: dict[str, Any] = {"load": os.getloadavg()[0], "case_mb": path.stat().st_size / 1e6}
        told |= {"read_s": read - began, "html_s": done - read, "html_without_audio_mb": len(page.encode()) / 1e6}
        if CHROMIUM:
            told |= _in_chromium(path)
        print(json.dumps(json.loads(json.dumps(told), parse_float=lambda text: round(float(text), 3)), indent=1))


def _in_chromium(path: Path) -> dict[str, Any]:
    """From the command until the page is there, and from each asking for it; then how long the frames of a scroll take.

    The browser runs already: nothing is read while it starts.
    """
    with chromium() as browser, window(browser) as shown:
        began = time.perf_counter()
        with served(path) as address:
            page = shown.page
            page.goto(address)
            told: dict[str, Any] = {"from_command_s": time.perf_counter() - began, "opened_s": [page.evaluate(_OPENED)]}
            for _ in range(2):
                page.reload()
                told["opened_s"].append(page.evaluate(_OPENED))
            return told | _scrolled(page)


def _scrolled(page: Page) -> dict[str, Any]:
    page.evaluate(_NOTE_FRAMES)
    page.mouse.move(600, 450)
    for _ in range(SCROLLS):
        page.mouse.wheel(0, 300)
        page.wait_for_timeout(16)
    frames = sorted(page.evaluate("window.frames_ms"))
    spread = {f"p{part}": frames[min(len(frames) * part // 100, len(frames) - 1)] for part in (50, 90, 99, 100)}
    over = sum(frame > 50 for frame in frames)
    scrolled = page.evaluate("scrollY / document.documentElement.scrollHeight")
    return {"frames": len(frames), "frame_ms": spread, "over_50_ms": over, "scrolled": scrolled}


_OPENED = "performance.getEntriesByType('navigation')[0].loadEventEnd / 1000"
_NOTE_FRAMES = """() => {
  window.frames_ms = [];
  let last = performance.now();
  const note = (now) => { window.frames_ms.push(now - last); last = now; requestAnimationFrame(note); };
  requestAnimationFrame(note);
}"""


if __name__ == "__main__":
    main()

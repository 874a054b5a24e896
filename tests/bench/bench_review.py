"""Measures the review page of a long case: 2,000 utterances in 3 hours, made, weighed and opened in Chromium."""

from __future__ import annotations

import json
import sys
import tempfile
import time
from datetime import timedelta
from decimal import Decimal
from pathlib import Path
from typing import Any

sys.path.insert(0, str(Path(__file__).parents[1]))

from checks_case import T0
from chromium import CHROMIUM, Browser
from report_cases import OPENED
from review_cases import model_of

from voicelog.casefile.chain import EntryDraft, clip_hash
from voicelog.casefile.store import CaseFile
from voicelog.events import Evidence, VitalSign, placed_in_time
from voicelog.views.review_page import review_html

UTTERANCES, HOURS = 2000, 3


def made(path: Path) -> Path:
    """A case in which every second utterance is a pulse."""
    words = ["heart", "rate", "ninety", "eight", "regular"]
    with CaseFile.create(path, OPENED, T0) as case:
        for number in range(1, UTTERANCES + 1):
            start = Decimal(number * HOURS * 3600) / UTTERANCES
            at = T0 + timedelta(seconds=float(start))
            heard = [
                {"text": word, "start": start + place, "end": start + place + 1, "confidence": None}
                for place, word in enumerate(words)
            ]
            body: dict[str, Any] = {
                "id": f"U{number}",
                "start": start,
                "end": start + 5,
                "clip": clip_hash(b"%d" % number),
            }
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
            case.append(drafts)
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
        out = path.with_suffix(".html")
        out.write_text(page, encoding="utf-8")
        told = {"read_s": read - began, "html_s": done - read, "bytes": len(page.encode())}
        if CHROMIUM:
            with Browser(Path(folder) / "profile") as browser:
                browser.open(out.as_uri())
                script = "performance.getEntriesByType('navigation')[0].loadEventEnd"
                told["opened_in_chromium_s"] = browser.until(script) / 1000
        print(json.dumps({name: round(value, 2) for name, value in told.items()}))


if __name__ == "__main__":
    main()

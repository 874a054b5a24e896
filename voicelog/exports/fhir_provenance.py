"""From every FHIR resource back to the words, the audio and the hashes it came from."""

from __future__ import annotations

from collections.abc import Sequence

from voicelog.casefile.state import RecordedEvent, RecordedUtterance
from voicelog.exports.fhir_parts import OURS, Json, Place, extension, fhir_time
from voicelog.exports.source import entry_of, plain_text, portable

_PARTICIPANT = "http://terminology.hl7.org/CodeSystem/provenance-participant-type"


def device(place: Place) -> Json:
    """The software that made the record, as a Device."""
    return {
        "resourceType": "Device",
        "id": place.uri("device").removeprefix("urn:uuid:"),
        "deviceName": [{"name": "voicelog", "type": "user-friendly-name"}],
        "type": {"text": "documentation aid, not a medical device; verify every entry"},
        "version": [{"value": place.record.origin.exported_with}],
    }


def of_export(place: Place, problems: Sequence[str]) -> Json:
    """Which case, which head, which grammar and which version made the bundle."""
    last = place.record.entries[-1]
    return {
        "resourceType": "Provenance",
        "id": place.uri("export").removeprefix("urn:uuid:"),
        "extension": [*_origin(place), *(extension("integrity-problem", "String", plain_text(p)) for p in problems)],
        "target": [place.reference("encounter"), place.reference("patient")],
        "recorded": fhir_time(portable(last.at)),
        "agent": _agents(place),
    }


def of_event(place: Place, recorded: RecordedEvent, parts: Sequence[Json]) -> Json:
    """The evidence for the resources of one event."""
    entry = entry_of(place.record, recorded)
    heard = place.record.heard
    said = dict.fromkeys(name for name in (recorded.utterance, recorded.decided_in) if name)
    entities = [_audio(heard[name]) for name in said if name in heard]
    if recorded.amends:
        earlier = {"identifier": {"system": f"{OURS}event", "value": plain_text(f"{_case(place)}/{recorded.amends}")}}
        entities.append({"role": "revision", "what": earlier})
    words = {name: evidence.words for name, evidence in recorded.event.evidence.items()}
    return {
        "resourceType": "Provenance",
        "id": place.uri(f"{recorded.id}/provenance").removeprefix("urn:uuid:"),
        "extension": [
            extension("entry", "PositiveInt", entry.seq),
            extension("entry-hash", "String", entry.hash),
            *(
                extension("evidence", "String", plain_text(f"{name}: {heard_words}"))
                for name, heard_words in words.items()
            ),
            *_origin(place),
        ],
        "target": [{"reference": f"urn:uuid:{part['id']}"} for part in parts],
        "recorded": fhir_time(portable(entry.at)),
        "agent": _agents(place),
        **({"entity": entities} if entities else {}),
    }


def _case(place: Place) -> str:
    return place.record.origin.case_id


def _origin(place: Place) -> list[Json]:
    origin = place.record.origin
    return [
        extension("case-file", "String", plain_text(origin.case)),
        extension("head-hash", "String", origin.head),
        extension("grammar-hash", "String", plain_text(origin.grammar_hash)),
        extension("recorded-with", "String", plain_text(origin.recorded_with)),
        extension("exported-with", "String", origin.exported_with),
    ]


def _agents(place: Place) -> list[Json]:
    def typed(code: str) -> Json:
        return {"coding": [{"system": _PARTICIPANT, "code": code}]}

    return [
        {"type": typed("author"), "who": {"display": "crew, by voice"}},
        {"type": typed("assembler"), "who": place.reference("device")},
    ]


def _audio(utterance: RecordedUtterance) -> Json:
    """An utterance as a source: the hash of its clip, where it lies on the recording, and the words heard."""
    words = " ".join(word.text for word in utterance.alternatives[0]) if utterance.alternatives else ""
    found = [extension("utterance", "String", plain_text(utterance.id))]
    found += [
        extension(name, "Decimal", seconds)
        for name, seconds in (("start-seconds", utterance.start), ("end-seconds", utterance.end))
        if seconds is not None
    ]
    what: Json = {"display": plain_text(f"utterance {utterance.id}: {words}")}
    if utterance.clip:
        what["identifier"] = {"system": f"{OURS}clip-sha-256", "value": plain_text(utterance.clip)}
    return {"extension": found, "role": "source", "what": what}

"""What may still be done to a closed case: a review adds entries and closes it again; its audio can be deleted."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime

from voicelog.casefile.chain import Entry, EntryDraft
from voicelog.casefile.schema import REVIEW_OPENED
from voicelog.casefile.store import CaseFile
from voicelog.errors import CaseFileError


def add_review(case: CaseFile, purpose: str, drafts: Sequence[EntryDraft], at: datetime) -> list[Entry]:
    """Add entries to a closed case and close it again, in one transaction, so that it never stands half reviewed.

    The first entry of the review is ``review_opened`` with its purpose, the last is a new closing entry, whose count
    and head (and signature, where the case has a signer) cover everything before, the earlier closing included.

    Raises:
        CaseFileError: the case is not closed, or as for ``CaseFile.append``.
    """
    with case.writing(after_closing=True) as tail:
        entries = tail.put([EntryDraft(REVIEW_OPENED, {"purpose": purpose}, at), *drafts])
        return [*entries, tail.close(at, case.sign)]


def delete_audio(case: CaseFile, reason: str, at: datetime) -> int:
    """Delete every audio clip of a closed case; the entries keep the hashes, and one more says which clips went.

    The pages are overwritten with zeros, the log is emptied and the file is made anew without them. What else holds
    a copy (a backup, an export, worn-out cells of a flash disk) is out of reach.

    Returns:
        The number of clips deleted; 0 when there were none, and then only what an earlier deletion that was broken
        off may have left is cleaned away.

    Raises:
        CaseFileError: the case is not closed; the disk refuses; or another program reads the file, and so the old
            pages may still lie in it (to be called again then).
    """
    with case.writing(after_closing=True) as tail:
        names = case.clip_names()
        if names:
            body = {"clips": names, "reason": reason}
            opened = EntryDraft(REVIEW_OPENED, {"purpose": "audio deletion"}, at)
            tail.put([opened, EntryDraft("audio_deleted", body, at)])
            case.delete_clips()
            tail.close(at, case.sign)
    if not case.scrub():
        hint = "End the other program that reads the file, then run this again."
        raise CaseFileError("The audio is deleted, but its old pages may still lie in the file's log.", hint)
    return len(names)

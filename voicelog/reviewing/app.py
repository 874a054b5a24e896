"""The local server's answers: pages and audio by GET, judgements by POST, and a refusal in words for all else."""

from __future__ import annotations

import re
from collections.abc import Awaitable, Callable, Mapping
from functools import partial
from pathlib import Path
from urllib.parse import parse_qsl, quote, unquote

from starlette.applications import Starlette
from starlette.concurrency import run_in_threadpool
from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.responses import HTMLResponse, RedirectResponse, Response
from starlette.routing import Route

from voicelog.defects import place_of
from voicelog.errors import OvertakenError, ReviewError, VoicelogError
from voicelog.reviewing.cases import Cases
from voicelog.reviewing.exporting import formats_here
from voicelog.reviewing.guards import Door
from voicelog.reviewing.judging import Judgement, accept, add_missed, amend, comment, enter_in_error, sign_off, undo
from voicelog.reviewing.pages import (
    Filled,
    case_base,
    entry_page,
    export_page,
    list_page,
    message_page,
    utterance_page,
    whole_page,
)
from voicelog.views.review_page import Judging, content_policy, review_html

_MOST_FORM_BYTES = 64 * 1024
_FAILED = "Something went wrong here; nothing was entered."


def review_app(cases: Cases, door: Door, complain: Callable[[str], object] = lambda line: None) -> Starlette:
    """The application.

    Args:
        cases: what is served.
        door: who is let in.
        complain: takes a line about an error that nobody foresaw.
    """
    pages = _Pages(cases, door)

    async def missing(request: Request, error: Exception) -> Response:
        status = getattr(error, "status_code", 404)
        return _safe(_message(status, "Not here", "There is no such page, or it is not asked for in this way."))

    case = "/case/{name}"
    routes: list[tuple[str, str, Answer]] = [
        ("/", "GET", pages.front),
        (case, "GET", pages.case),
        (case + "/entry/{id}", "GET", pages.entry),
        (case + "/utterance/{id}", "GET", pages.utterance),
        (case + "/whole", "GET", pages.whole),
        (case + "/export/{to}", "GET", pages.export),
        ("/clip/{name}/{clip}", "GET", pages.clip),
        *(
            (f"{case}{where}", "POST", partial(pages.judge, area, purpose))
            for area, purpose, where in (
                ("entry", "accept", "/entry/{id}/accept"),
                ("entry", "amend", "/entry/{id}/amend"),
                ("entry", "error", "/entry/{id}/error"),
                ("utterance", "add", "/utterance/{id}/add"),
                ("whole", "undo", "/undo/{id}"),
                ("whole", "comment", "/comment"),
                ("whole", "sign-off", "/sign-off"),
            )
        ),
    ]
    guarded = [Route(path, _guarded(door, answer, complain), methods=[method]) for path, method, answer in routes]
    return Starlette(routes=guarded, exception_handlers={404: missing, 405: missing})


Answer = Callable[[Request], Awaitable[Response]]


def _guarded(door: Door, answer: Answer, complain: Callable[[str], object]) -> Answer:
    async def guarded(request: Request) -> Response:
        token = request.query_params.get("token")
        cookies = dict(request.cookies)
        if token is not None and request.url.path == "/" and request.method == "GET":
            # The token stands in for the key, once; all else about the request must be right as well.
            why = door.refusal("GET", request.headers, {door.cookie: door.key})
            if why or not door.opens_for(token):
                return _safe(_message(403, "Refused", f"Not let in: {why or 'this address was used already'}."))
            let_in = RedirectResponse("/", 303)
            let_in.set_cookie(door.cookie, door.key, httponly=True, samesite="strict", path="/")
            return _safe(let_in)
        why = door.refusal(request.method, request.headers, cookies)
        if why:
            return _safe(_message(403, "Refused", f"Not let in: {why}."))
        try:
            return _safe(await answer(request))
        except VoicelogError as error:
            return _safe(_message(422, "Not done", f"{error.message} {error.hint}"))
        except HTTPException:
            raise
        except Exception as error:
            # Left to the server it would become a traceback, which may quote a patient.
            complain(f"voicelog: a defect of voicelog: {place_of(error)}\n")
            return _safe(_message(500, "Not done", _FAILED))

    return guarded


def _safe(response: Response) -> Response:
    response.headers["Content-Security-Policy"] = content_policy(live=True)
    response.headers["Cache-Control"] = "no-store"
    response.headers["X-Content-Type-Options"] = "nosniff"
    # With no referrer at all a browser would also withhold the origin of a form.
    response.headers["Referrer-Policy"] = "same-origin"
    response.headers["Cross-Origin-Resource-Policy"] = "same-origin"
    response.headers["Cross-Origin-Opener-Policy"] = "same-origin"
    return response


def _message(status: int, title: str, text: str) -> Response:
    return HTMLResponse(message_page(title, text), status)


class _Pages:
    """The answers, each for a request that was let in."""

    def __init__(self, cases: Cases, door: Door) -> None:
        self.cases = cases
        self.door = door

    async def front(self, request: Request) -> Response:
        names = await run_in_threadpool(self.cases.names)
        if not self.cases.place.is_dir():
            return RedirectResponse(case_base(names[0]), 303)
        rows = await run_in_threadpool(lambda: [self.cases.row(name) for name in names])
        return HTMLResponse(list_page(rows))

    async def case(self, request: Request) -> Response:
        path = self._path(request)
        model, _ = await run_in_threadpool(self.cases.read, path)
        names = self.cases.names()
        place = names.index(path.name)
        before = case_base(names[place - 1]) if place else ""
        after = case_base(names[place + 1]) if place + 1 < len(names) else ""
        exports = {to: one.told for to, one in formats_here().items()}
        judging = Judging(case_base(path.name), before, after, exports)
        return HTMLResponse(await run_in_threadpool(review_html, model, judging))

    async def entry(self, request: Request) -> Response:
        return await self._form(request, "entry", Filled(self._name(request)), 200)

    async def utterance(self, request: Request) -> Response:
        return await self._form(request, "utterance", Filled(self._name(request)), 200)

    async def whole(self, request: Request) -> Response:
        return await self._form(request, "whole", Filled(self._name(request)), 200)

    async def export(self, request: Request) -> Response:
        path, to = self._path(request), request.path_params["to"]
        chosen = formats_here().get(to)
        if chosen is None:
            return _message(404, "Not here", "There is no such export.")
        made, remarks = await run_in_threadpool(self.cases.export, path, to)
        if remarks and "anyway" not in request.query_params:
            return HTMLResponse(export_page(case_base(path.name), to, chosen.told, remarks))
        name = re.sub(r"[^A-Za-z0-9._-]", "_", path.stem)
        headers = {"Content-Disposition": f'attachment; filename="{name}.{chosen.ending}"'}
        return Response(made, 200, headers, chosen.media)

    async def clip(self, request: Request) -> Response:
        name = request.path_params["clip"]
        if not re.fullmatch("[0-9a-f]{64}", name):
            return _message(404, "Not here", "There is no such audio.")
        flac = await run_in_threadpool(self.cases.clip, self._path(request), name)
        return Response(flac, 200, media_type="audio/flac")

    async def judge(self, area: str, purpose: str, request: Request) -> Response:
        path, values = self._path(request), await _form_values(request)
        about = request.path_params.get("id", "")
        try:
            judgement = await run_in_threadpool(self._judgement, purpose, about, path, values)
            await run_in_threadpool(
                self.cases.judge, path, values.get("head", ""), values.get("by", ""), purpose, judgement
            )
        except OvertakenError as error:
            return await self._form(request, area, Filled(values, f"{error.message} {error.hint}"), 409)
        except VoicelogError as error:
            return await self._form(request, area, Filled(values, f"{error.message} {error.hint}"), 422)
        done = RedirectResponse(f"{case_base(path.name)}#{'review' if area == 'whole' else quote(about)}", 303)
        done.set_cookie(f"{self.door.cookie}-name", quote(values["by"].strip()), httponly=True, samesite="strict")
        return done

    def _judgement(self, purpose: str, about: str, path: Path, values: Mapping[str, str]) -> Judgement:
        """What a form asks for."""
        reason = values.get("reason", "")
        match purpose:
            case "accept":
                return accept(about)
            case "error":
                return enter_in_error(about, reason)
            case "amend":
                changes = {name[6:]: text for name, text in values.items() if name.startswith("field.")}
                return amend(about, changes, reason, self.cases.grammar.drugs)
            case "add":
                heard = next((one for one in self.cases.read(path)[0].utterances if one.id == about), None)
                if heard is None:
                    raise ReviewError(f"There is no utterance {about}.", "Choose one that the page shows.")
                return add_missed(about, self.cases.callouts(values.get("callout", ""), heard.at), reason)
            case "comment":
                return comment(values.get("about", ""), values.get("text", ""))
            case "sign-off":
                return sign_off()
        if not re.fullmatch("[0-9]{1,9}", about):
            raise ReviewError("There is no such review.", "Choose one that the page offers.")
        return undo(int(about))

    async def _form(self, request: Request, area: str, filled: Filled, status: int) -> Response:
        path = self._path(request)
        model, entries = await run_in_threadpool(self.cases.read, path)
        base, about = case_base(path.name), request.path_params.get("id", "")
        if area == "whole":
            return HTMLResponse(whole_page(model, entries, base, filled), status)
        if area == "entry":
            for view in model.events:
                if view.recorded.id == about:
                    return HTMLResponse(entry_page(model, view, self.cases.grammar.drugs, base, filled), status)
        for heard in model.utterances:
            if heard.id == about:
                return HTMLResponse(utterance_page(model, heard, base, filled), status)
        return _message(404, "Not here", f"There is no {about} in this case.")

    def _name(self, request: Request) -> dict[str, str]:
        """The reviewer's name as given last, so that it is written once."""
        return {"by": unquote(request.cookies.get(f"{self.door.cookie}-name", ""))}

    def _path(self, request: Request) -> Path:
        path = self.cases.path(request.path_params["name"])
        if path is None:
            raise HTTPException(404)
        return path


async def _form_values(request: Request) -> dict[str, str]:
    """The values of a form that a browser sends as text.

    Raises:
        ReviewError: it is no such form, or longer than any of ours.
    """
    body = b""
    async for piece in request.stream():
        body += piece
        if len(body) > _MOST_FORM_BYTES:
            raise ReviewError("This is too long.", "Write less.")
    if request.headers.get("content-type", "").split(";")[0] != "application/x-www-form-urlencoded":
        raise ReviewError("This is no form of ours.", "Use the page.")
    try:
        return dict(parse_qsl(body.decode("ascii"), keep_blank_values=True, errors="strict", max_num_fields=200))
    except ValueError as error:
        raise ReviewError("This form cannot be read.", "Use the page.") from error

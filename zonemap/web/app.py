"""Addresses of the page server. Each answers from the session; none computes."""

from __future__ import annotations

from collections.abc import Awaitable, Callable, Iterable
from pathlib import Path
from typing import Any

from pydantic import BaseModel, ConfigDict, Field, ValidationError
from starlette.applications import Starlette
from starlette.concurrency import run_in_threadpool
from starlette.middleware import Middleware
from starlette.requests import Request
from starlette.responses import FileResponse, JSONResponse, Response
from starlette.routing import Route

from zonemap.errors import ZonemapError
from zonemap.io.journal import Posted
from zonemap.pipeline.review import Desk
from zonemap.values.review import Decisions
from zonemap.web import shown
from zonemap.web.guard import Guard, TooLongError, body_of, refused
from zonemap.web.rasters import raster_of
from zonemap.web.session import Session, StaleError

Json = dict[str, Any]
Answer = Callable[[Request], Awaitable[Response]]

_STATIC = Path(__file__).parent / "static"
#: the only files that are given out, by address
_FILES = {
    "/": ("index.html", "text/html"),
    **{
        f"/{name}": (name, kind)
        for kind, names in {
            "text/css": ("page.css", "vendor/ol.css"),
            "text/javascript": (
                "ask.js", "colours.js", "main.js", "map.js", "panels.js", "season.js", "units.js", "zones.js",
                "vendor/ol.js",
            ),
            "image/svg+xml": ("icon.svg",),
        }.items()
        for name in names
    },
}  # fmt: skip


class _Revised(BaseModel):
    model_config = ConfigDict(strict=True, extra="forbid")
    revision: int = Field(ge=0)


class _Preview(BaseModel):
    model_config = ConfigDict(strict=True, extra="forbid", allow_inf_nan=False)
    assurance: float = Field(ge=0.01, le=0.99)


class _Nothing(BaseModel):
    model_config = ConfigDict(strict=True, extra="forbid")


def application(session: Session, *, hosts: Iterable[str], key: str) -> Starlette:
    """Return the server of one review, behind its guard."""
    files = [Route(address, _file(*found), methods=["GET"]) for address, found in _FILES.items()]
    asked = [
        Route(f"/api/{name}", _read(session, answer), methods=["GET"])
        for name, answer in {
            "shapes": shown.shapes_json,
            "value": shown.value_json,
            "season": shown.season_json,
        }.items()
    ]
    rest = [
        Route("/api/details", _details(session), methods=["GET"]),
        Route("/api/field", _json(lambda: shown.field_json(session.desk)), methods=["GET"]),
        Route("/api/state", _json(lambda: shown.state_json(session)), methods=["GET"]),
        Route("/api/pulse", _json(lambda: _pulse(session)), methods=["GET"]),
        Route("/api/raster", _raster(session), methods=["GET"]),
        Route("/api/change", _post(Posted, lambda posted: _change(session, posted)), methods=["POST"]),
        Route("/api/preview", _post(_Preview, lambda wish: _preview(session, wish)), methods=["POST"]),
        Route("/api/publish", _post(_Revised, lambda posted: _publish(session, posted)), methods=["POST"]),
        Route("/api/cancel", _post(_Nothing, lambda _: _cancel(session)), methods=["POST"]),
    ]
    return Starlette(routes=[*files, *asked, *rest], middleware=[Middleware(Guard, hosts=frozenset(hosts), key=key)])


def _file(name: str, kind: str) -> Answer:
    async def answer(request: Request) -> Response:
        del request
        return FileResponse(_STATIC / name, media_type=kind)

    return answer


def _json(make: Callable[[], Json]) -> Answer:
    async def answer(request: Request) -> Response:
        del request
        return await _made(lambda: JSONResponse(make()))

    return answer


def _read(session: Session, make: Callable[[Desk, Decisions], Json]) -> Answer:
    """Answer for the revision as it stands, and say which that is."""

    async def answer(request: Request) -> Response:
        del request
        revision, decisions = session.at
        return await _made(lambda: JSONResponse(make(session.desk, decisions) | {"revision": revision}))

    return answer


def _details(session: Session) -> Answer:
    """Answer with what takes longest; a page that has it rests, and what may be asked for next is made ready."""
    told = _read(session, shown.details_json)

    async def answer(request: Request) -> Response:
        response = await told(request)
        await run_in_threadpool(session.warm)
        return response

    return answer


def _raster(session: Session) -> Answer:
    async def answer(request: Request) -> Response:
        layer, name = request.query_params.get("layer", ""), request.query_params.get("name", "")
        _, decisions = session.at

        def made() -> Response:
            content = raster_of(session.desk, decisions, layer=layer, name=name)
            return Response(content, media_type="application/octet-stream")

        return await _made(made)

    return answer


def _post(model: type[Any], act: Callable[[Any], Json]) -> Answer:
    async def answer(request: Request) -> Response:
        try:
            body = await body_of(request)
        except TooLongError:
            return refused(413, "the request is too long")
        try:
            posted = model.model_validate_json(body)
        except ValidationError as error:
            first = error.errors(include_url=False, include_input=False, include_context=False)[0]
            where = ".".join(str(part) for part in first["loc"])
            return refused(422, f"{where}: {first['msg']}" if where else str(first["msg"]))
        return await _made(lambda: JSONResponse(act(posted)))

    return answer


async def _made(make: Callable[[], Response]) -> Response:
    """Do the work beside the loop that answers, and turn what the user can mend into a sentence."""
    try:
        return await run_in_threadpool(make)
    except StaleError:
        return refused(409, "this was changed in another window; the page now shows how it stands")
    except ZonemapError as error:
        return JSONResponse({"error": f"{error.where}: {error.what}. {error.mend}"}, status_code=422)


def _change(session: Session, posted: Posted) -> Json:
    session.change(posted.change, revision=posted.revision)
    return shown.state_json(session)


def _preview(session: Session, wish: _Preview) -> Json:
    return shown.answer_json(session.desk.glance, session.preview(wish.assurance))


def _publish(session: Session, posted: _Revised) -> Json:
    session.publish(revision=posted.revision)
    return _pulse(session)


def _cancel(session: Session) -> Json:
    session.cancel()
    return _pulse(session)


def _pulse(session: Session) -> Json:
    now = session.publishing
    return {
        "revision": session.at[0],
        "publishing": {
            "state": now.state,
            "stage": now.stage,
            "stages": now.stages,
            "message": now.message,
            "revision": now.revision,
        },
    }

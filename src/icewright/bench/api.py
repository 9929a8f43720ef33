"""The endpoints: requests in, shapes out. What they mean is written down in PROTOCOL.md."""

from __future__ import annotations

import asyncio
import contextlib
import json
import math
import shutil
import tempfile
from dataclasses import replace
from pathlib import Path
from typing import Annotated, Any, Literal

from fastapi import (
    APIRouter,
    Depends,
    File,
    Query,
    Request,
    Response,
    UploadFile,
    WebSocket,
    WebSocketDisconnect,
)
from fastapi.responses import FileResponse
from pydantic import ValidationError
from starlette.background import BackgroundTask

from icewright.bench import chamber, examples, measured, runs, shapes, words
from icewright.bench.jobs import Jobs
from icewright.bench.photos import MOST as MOST_PHOTOS
from icewright.bench.security import BenchError, error_body, inside, plain_name
from icewright.bench.session import Session
from icewright.bench.sessions import Sessions
from icewright.bench.settings import Settings
from icewright.bench.viewers import Viewer
from icewright.ground.errors import IcewrightError
from icewright.notebook.files import StoreError, write_atomic
from icewright.recipe.quantities import MICROMETRE

PROTOCOL = 1
_ERRORS: dict[int | str, dict[str, Any]] = {
    code: {"model": shapes.ErrorBody, "description": words_}
    for code, words_ in (
        (400, "refused, with what was got, wanted and what to do"),
        (401, "the token is missing"),
        (403, "Host, Origin or a path outside the folder"),
        (404, "not here"),
        (409, "not now"),
        (413, "too large"),
        (415, "not of a kind that can be read"),
        (422, "the request has the wrong shape"),
        (429, "too many"),
        (503, "the engine does not answer"),
    )
}
MESH = "application/octet-stream"

router = APIRouter(prefix="/api", responses=_ERRORS)


def _sessions(request: Request) -> Sessions:
    found: Sessions = request.app.state.sessions
    return found


def _settings(request: Request) -> Settings:
    found: Settings = request.app.state.settings
    return found


def _jobs(request: Request) -> Jobs:
    found: Jobs = request.app.state.jobs
    return found


async def _session(request: Request, id: str) -> Session:
    return _sessions(request).get(id)


One = Annotated[Session, Depends(_session)]
All = Annotated[Sessions, Depends(_sessions)]
Set = Annotated[Settings, Depends(_settings)]
JobsOf = Annotated[Jobs, Depends(_jobs)]
Most = Annotated[int, Query(ge=2, le=20000)]


@router.get("/about")
async def about(settings: Set) -> shapes.About:
    """What this server is and may be asked."""
    from icewright import __version__, kinetics
    from icewright.recipe.held import WAYS
    from icewright.recipe.limits import COLDEST_C, LENGTH_UM, PRESSURE_HPA, SIGMA_MAX, WARMEST_C

    return shapes.About(
        version=__version__,
        protocol=PROTOCOL,
        folder=str(settings.folder),
        kinetics=kinetics.names(),
        ways=list(WAYS),
        limits={
            "temperature_c": (COLDEST_C, WARMEST_C),
            "sigma_percent": (-100.0, 100 * SIGMA_MAX),
            "water_fraction": (0.0, 2.0),
            "pressure_hpa": PRESSURE_HPA,
            "length_um": LENGTH_UM,
            "final_radius_um": (2.0, 5000.0),
            "speed": (0.1, 1e6),
        },
        recipes=[r.name for r in await asyncio.to_thread(runs.recipes, settings.folder)],
        apparatus=await asyncio.to_thread(chamber.listed, settings.folder),
        examples=list(examples.EXAMPLES),
        hints=examples.HINTS,
        data_note=examples.NOTE,
    )


@router.get("/air")
async def air(
    temperature_c: float,
    sigma_percent: float | None = None,
    water_fraction: float | None = None,
    excess_g_m3: float | None = None,
    pressure_hpa: float = 1013.25,
    kinetics: Annotated[str, Query(max_length=100)] = "layer-fits",
    held: Literal["free", "plate", "pedestal", "needle"] = "free",
) -> shapes.Air:
    """Any air: every humidity, the margin to fog, what it favours and why."""
    from icewright import kinetics as tables
    from icewright.recipe.limits import check_temperature

    given = {
        k: v
        for k, v in (
            ("sigma_percent", sigma_percent),
            ("water_fraction", water_fraction),
            ("excess_g_m3", excess_g_m3),
        )
        if v is not None
    }
    if len(given) != 1:
        raise BenchError(400, got=" and ".join(given) or "no humidity", wanted="exactly one humidity")
    if kinetics not in tables.names():
        raise BenchError(400, got=f"kinetics {kinetics}", wanted="one of " + ", ".join(tables.names()))
    if not all(math.isfinite(v) for v in (temperature_c, pressure_hpa, *given.values())):
        raise BenchError(400, got="nan or inf", wanted="finite numbers")
    t_k = temperature_c + 273.15
    check_temperature(t_k, "the air")
    pressure = words.pressure_of(pressure_hpa)
    sigma = words.sigma_of(*next(iter(given.items())), t_k)
    return words.air(t_k, sigma, pressure, tables.load(kinetics), free=held == "free")


# -- sessions ----------------------------------------------------------------------------------------------


@router.get("/sessions")
async def list_sessions(sessions: All) -> list[shapes.SessionBrief]:
    """A line for each session, newest first."""
    return sessions.briefs()


@router.post("/sessions", status_code=201)
async def new_session(asked: shapes.NewSession, sessions: All, settings: Set) -> shapes.Session:
    """A session of one's own."""
    from icewright.kinetics import load
    from icewright.kinetics.model import check_temperature
    from icewright.tasks.sources import temperatures_k

    given = [k for k in ("toml", "recipe", "example") if getattr(asked, k) is not None]
    if len(given) > 1:
        raise BenchError(400, got=" and ".join(given), wanted="one of them")
    size = asked.final_radius_um
    if asked.toml is not None:
        text = asked.toml
    elif asked.recipe is not None:
        text = await asyncio.to_thread(_recipe_text, settings.folder, asked.recipe)
    else:
        text, own = examples.example(asked.example or examples.FIRST)
        size = own if size is None else size
    got = runs.read_recipe(text, settings.folder)
    apparatus = asked.apparatus
    if apparatus is None and not given and settings.apparatus is not None:
        apparatus = settings.apparatus.name
    if apparatus:
        got = await asyncio.to_thread(_under, got, settings.folder, apparatus)
    kinetics = load(got.recipe.kinetics)
    for t_k in temperatures_k(got.recipe):
        check_temperature(kinetics, t_k)
    session = sessions.new(got, None if size is None else MICROMETRE.to_si(size), paused=asked.paused)
    return session.shown()


def _under(got: chamber.Found, folder: Path, name: str) -> chamber.Found:
    """The seed and the rest of a recipe, in the air that an apparatus makes as it stands now."""
    if got.plan is not None:
        raise BenchError(400, "That recipe names an apparatus already.", got=name[:100])
    if name not in chamber.listed(folder):
        raise BenchError(404, "There is no such apparatus file in the folder.", got=name[:100])
    held = chamber.first(name, chamber.read_named(folder, name))
    recipe = got.recipe.model_copy(
        update={"pressure_pa": held.apparatus.pressure_pa, "title": held.apparatus.title or name}
    )
    steps, plan = chamber.resolved(held, recipe.pressure_pa)
    return chamber.Found(recipe.model_copy(update={"steps": tuple(steps)}), plan)


@router.get("/sessions/{id}")
async def get_session(session: One) -> shapes.Session:
    """All that a page needs to draw itself anew."""
    return session.shown()


@router.delete("/sessions/{id}", status_code=204)
async def delete_session(id: str, sessions: All) -> None:
    """Delete it and its files."""
    sessions.remove(id)


@router.post("/sessions/{id}/turn")
async def turn(asked: shapes.Turn, session: One) -> shapes.Turned:
    """Turn knobs now."""
    return session.turn(asked)


@router.post("/sessions/{id}/setup")
async def setup(asked: shapes.NewSetup, session: One, settings: Set) -> shapes.Session:
    """Another pressure, holding, seed, table, size or apparatus."""
    session.change_setup(asked, settings.folder)
    return session.shown()


@router.post("/sessions/{id}/pace")
async def pace(asked: shapes.Pace, session: One) -> shapes.State:
    """Pause and speed."""
    return session.pace(asked)


@router.post("/sessions/{id}/step")
async def step(asked: shapes.StepOn, session: One) -> shapes.State:
    """Go on a little, then pause."""
    return session.step_on(asked)


@router.post("/sessions/{id}/go")
async def go(asked: shapes.Go, session: One) -> shapes.State:
    """To a recorded moment."""
    return session.go(asked)


@router.get("/sessions/{id}/tree")
async def tree(session: One) -> shapes.Tree:
    """All paths."""
    return session.tree.shown()


@router.post("/sessions/{id}/branches")
async def fork(asked: shapes.Fork, session: One) -> shapes.Tree:
    """A new path without a turn."""
    return session.fork(asked)


@router.patch("/sessions/{id}/branches/{n}")
async def edit_branch(n: int, asked: shapes.BranchEdit, session: One) -> shapes.Branch:
    """Name a path, keep it."""
    return session.edit_branch(n, asked)


@router.delete("/sessions/{id}/branches/{n}")
async def delete_branch(n: int, session: One) -> shapes.Tree:
    """Delete a path."""
    return session.remove_branch(n)


@router.get("/sessions/{id}/branches/{n}/series")
async def series(n: int, session: One, most: Most = 2000) -> shapes.Series:
    """Curves from the seed to the end of a path."""
    return session.tree.series(session.tree.get(n), most)


@router.get("/sessions/{id}/branches/{n}/moments/{m}/mesh", response_class=Response)
async def moment_mesh(n: int, m: int, session: One) -> Response:
    """The crystal of a stored moment, as a mesh frame, which says its time.

    Moments are thinned as a path grows long, maybe after a page was told of them: instead of one that has
    gone comes the nearest that is kept.
    """
    branch = session.tree.get(n)
    if not 0 <= m < branch.next_moment:
        raise BenchError(404, "There is no such moment.", got=str(m))
    kept = sorted((moment.number for moment in branch.moments), key=lambda number: (abs(number - m), number))
    paths = (session.tree.moment_folder(n, number) / "mesh.bin" for number in kept)
    path = next((path for path in paths if path.is_file()), None)
    if path is None:
        raise BenchError(404, "That moment has no surface.", got=str(m))
    return Response(path.read_bytes(), media_type=MESH)


@router.get("/sessions/{id}/section")
async def section(
    session: One,
    plane: Literal["basal", "axial"] = "axial",
    height_um: Annotated[float, Query(ge=-20000, le=20000)] = 0.0,
    azimuth_deg: Annotated[float, Query(ge=-360, le=360)] = 0.0,
) -> shapes.Section:
    """The present crystal cut by a plane: when each part froze."""
    at = height_um * 1e-6 if plane == "basal" else math.radians(azimuth_deg)
    return shapes.Section(**await session.ask("section", plane=plane, at=at))


@router.get("/sessions/{id}/outline")
async def outline(session: One, along: shapes.Axis = "c") -> shapes.Outline:
    """The present crystal's outline, seen along c (in plan) or from the side."""
    return shapes.Outline(polygons=await session.ask("outline", along=along))


# -- recipes -----------------------------------------------------------------------------------------------


def _recipe_text(folder: Path, name: str) -> str:
    path = inside(folder, plain_name(name, ".toml"))
    if not path.is_file():
        raise BenchError(404, "There is no such recipe.", got=name)
    if path.stat().st_size > 200_000:
        raise BenchError(413, "That is too large for a recipe.", got=name)
    try:
        return path.read_text(encoding="utf-8-sig")
    except (OSError, UnicodeDecodeError) as cause:
        raise BenchError(400, "That recipe cannot be read.", got=str(cause)[:200]) from cause


@router.get("/sessions/{id}/recipe")
async def get_recipe(session: One, branch: int | None = None) -> shapes.RecipeView:
    """What was done and is planned, as a recipe."""
    return runs.recipe_view(
        session.so_far(branch),
        session.tree.get(branch).starts,
        session.settings_so_far(branch),
        session.tree.get(branch).plan,
    )


@router.put("/sessions/{id}/recipe")
async def put_recipe(asked: shapes.RecipeEdit, session: One, settings: Set) -> shapes.Session:
    """The timeline was edited."""
    session.change_recipe(asked, lambda text: runs.read_recipe(text, settings.folder))
    return session.shown()


@router.post("/sessions/{id}/recipe/air")
async def air_of_settings(asked: shapes.SetDraft, session: One) -> shapes.SetAir:
    """The air that other settings of the apparatus would make; nothing is changed."""
    return await asyncio.to_thread(session.air_of_settings, asked)


@router.post("/sessions/{id}/recipe/save")
async def save_recipe(asked: shapes.Save, session: One, settings: Set) -> shapes.Saved:
    """Write it into the chosen folder."""
    from icewright.recipe import files

    name = plain_name(asked.name, ".toml")
    path = inside(settings.folder, name)
    if path.exists() and not (asked.replace and path.is_file()):
        raise BenchError(409, f"{name} is there already.", do="another name, or replace: true")
    written = session.settings_so_far()
    text = files.dumps(session.so_far()) if written is None else written[0]
    await asyncio.to_thread(write_atomic, path, text.encode())
    return shapes.Saved(name=name)


@router.get("/recipes")
async def list_recipes(settings: Set) -> list[shapes.RecipeBrief]:
    """Recipes in the chosen folder."""
    return await asyncio.to_thread(runs.recipes, settings.folder)


@router.get("/recipes/{name}")
async def one_recipe(name: str, settings: Set) -> shapes.RecipeView:
    """One of them."""
    text = await asyncio.to_thread(_recipe_text, settings.folder, name)
    got = runs.read_recipe(text, settings.folder)
    written = None if got.plan is None else (text, list(got.notes))
    return runs.recipe_view(got.recipe, None, written, got.plan)


# -- full resolution and runs ------------------------------------------------------------------------------


@router.post("/sessions/{id}/grow", status_code=202)
async def grow(asked: shapes.GrowNow, session: One, settings: Set, jobs: JobsOf) -> shapes.Job:
    """Grow the recipe at a resolution, in the background."""
    from icewright.recipe import files
    from icewright.recipe.in_settings import Planned
    from icewright.recipe.model import Recipe
    from icewright.recipe.resolution import Resolution

    name = plain_name(asked.name)
    folder = inside(settings.folder, name)
    if folder.exists():
        raise BenchError(409, f"{name} is there already.", do="another name")
    resolution = Resolution(preset=asked.preset)
    recipe: Recipe | Planned = session.so_far().model_copy(update={"resolution": resolution})
    written = session.settings_so_far()
    if written is not None:  # the run then keeps set and actual air, the settings and the apparatus
        planned = files.loads_planned(written[0], settings.folder)
        recipe = replace(planned, recipe=planned.recipe.model_copy(update={"resolution": resolution}))
    elif isinstance(recipe, Recipe):
        Recipe.model_validate(recipe.model_dump(by_alias=True))
    return jobs.add(name, session.id, folder, recipe)


@router.get("/jobs")
async def list_jobs(jobs: JobsOf) -> list[shapes.Job]:
    """Background runs, newest first."""
    return jobs.shown()


@router.get("/jobs/{n}")
async def get_job(n: int, jobs: JobsOf) -> shapes.Job:
    """One of them."""
    return jobs.get(n)


@router.post("/jobs/{n}/stop")
async def stop_job(n: int, jobs: JobsOf) -> shapes.Job:
    """Stop it; what was grown stays."""
    return jobs.stop(n)


@router.post("/jobs/{n}/resume", status_code=202)
async def resume_job(n: int, jobs: JobsOf) -> shapes.Job:
    """Go on with a stopped one."""
    return jobs.resume(n)


@router.get("/runs")
async def list_runs(settings: Set) -> list[shapes.Run]:
    """Runs below the chosen folder, newest first."""
    return await asyncio.to_thread(runs.listed, settings.folder)


@router.get("/runs/{name}")
async def get_run(name: str, settings: Set) -> shapes.RunView:
    """All that a run holds."""
    run = runs.find(settings.folder, name)
    return await asyncio.to_thread(runs.view, settings.folder, run)


@router.get("/runs/{name}/series")
async def run_series(name: str, settings: Set, most: Most = 2000) -> shapes.Series:
    """Its curves."""
    run = runs.find(settings.folder, name)
    return await asyncio.to_thread(runs.series, run, most)


@router.get("/runs/{name}/frames/{n}/mesh", response_class=Response)
async def run_mesh(name: str, n: int, settings: Set) -> Response:
    """One of its crystals, as a mesh frame."""
    run = runs.find(settings.folder, name)
    return Response(await asyncio.to_thread(runs.frame_mesh, run, n), media_type=MESH)


@router.get("/runs/{name}/thumbnail", response_class=Response)
async def run_thumbnail(name: str, settings: Set) -> Response:
    """The crystal in plan, a small PNG."""
    run = runs.find(settings.folder, name)
    return Response(await asyncio.to_thread(runs.thumbnail, run), media_type="image/png")


@router.get("/runs/{name}/pictures/{file}", response_class=FileResponse)
async def run_picture(name: str, file: str, settings: Set) -> FileResponse:
    """One of its pictures."""
    run = runs.find(settings.folder, name)
    path = inside(run.pictures, plain_name(file, ".png"))
    if not path.is_file():
        raise BenchError(404, "There is no such picture.", got=file[:100])
    return FileResponse(path, media_type="image/png")


@router.get("/runs/{name}/export/{what}", response_class=FileResponse)
async def run_export(name: str, what: str, settings: Set) -> FileResponse:
    """All that a run can be exported to."""
    run = runs.find(settings.folder, name)
    aside = Path(tempfile.mkdtemp(prefix="icewright-export-"))
    try:
        path, shown, kind = await asyncio.to_thread(runs.exported, run, what, aside)
    except BaseException:
        shutil.rmtree(aside, ignore_errors=True)
        raise
    if not path.is_file():
        shutil.rmtree(aside, ignore_errors=True)
        raise BenchError(404, "The run does not hold that.", got=what)
    after = BackgroundTask(shutil.rmtree, aside, ignore_errors=True)
    return FileResponse(path, media_type=kind, filename=shown, background=after)


@router.get("/measured")
async def list_measured(settings: Set) -> list[shapes.MeasuredBrief]:
    """Growth series in the chosen folder, measured on pictures."""
    return await asyncio.to_thread(measured.listed, settings.folder)


@router.get("/measured/{name}")
async def get_measured(name: str, settings: Set, crystal: int = 1) -> shapes.Measured:
    """One crystal of a series over time."""
    return await asyncio.to_thread(measured.series, settings.folder, name, crystal)


# -- beside the microscope ---------------------------------------------------------------------------------


@router.post("/sessions/{id}/clock")
async def do_clock(asked: shapes.ClockDo, session: One) -> shapes.Clock:
    """Start, stop, hold, the awaited key."""
    return session.do_clock(asked)


@router.get("/sessions/{id}/clock")
async def get_clock(session: One) -> shapes.Clock:
    """The clock and the next cue."""
    return session.clock_now()


@router.post("/sessions/{id}/real")
async def real(asked: shapes.Real, session: One) -> shapes.RealTold:
    """The real crystal has this size now."""
    return session.real(asked)


@router.post("/sessions/{id}/photos", status_code=201)
async def add_photo(session: One, settings: Set, file: Annotated[UploadFile, File()]) -> shapes.Photo:
    """A photograph to lay over the prediction."""
    if len(session.photos.items) >= MOST_PHOTOS:
        raise BenchError(409, f"{MOST_PHOTOS} photographs are kept at most.", do="delete one")
    data = await file.read(settings.photo_bytes + 1)
    if len(data) > settings.photo_bytes:
        raise BenchError(413, "The file is too large.", wanted=f"{settings.photo_bytes // 1_000_000} MB")
    width_um = 2.6 * session.state().sizes.radius_um
    from icewright.bench.photos import read_picture

    ready = await asyncio.to_thread(read_picture, data, settings.photo_pixels)
    photo = session.photos.keep(ready, file.filename or "", width_um)
    session._mark()
    return photo


@router.get("/sessions/{id}/photos/{n}", response_class=FileResponse)
async def get_photo(n: int, session: One) -> FileResponse:
    """It, as PNG."""
    return FileResponse(session.photos.path(n), media_type="image/png")


@router.patch("/sessions/{id}/photos/{n}")
async def place_photo(n: int, asked: shapes.PhotoPlace, session: One) -> shapes.Photo:
    """Lay it differently."""
    photo = session.photos.place(n, asked)
    session._mark()
    return photo


@router.delete("/sessions/{id}/photos/{n}", status_code=204)
async def delete_photo(n: int, session: One) -> None:
    """Delete it."""
    session.photos.remove(n)
    session._mark()


# -- the socket --------------------------------------------------------------------------------------------

_DO: dict[str, tuple[type[shapes.Shape], str]] = {
    "turn": (shapes.Turn, "turn"),
    "pace": (shapes.Pace, "pace"),
    "step": (shapes.StepOn, "step_on"),
    "go": (shapes.Go, "go"),
}
_LONGEST = 20_000  # characters of one message


@router.websocket("/sessions/{id}/live")
async def live(socket: WebSocket, id: str) -> None:
    """Meshes and events out, acks and commands in."""
    sessions: Sessions = socket.app.state.sessions
    try:
        session = sessions.get(id)
    except BenchError:
        await socket.accept()
        await socket.close(4404, "no such session")
        return
    await socket.accept()
    viewer = Viewer(socket)
    try:
        session.join(viewer)
    except IcewrightError as error:
        await socket.send_text(json.dumps({"event": "note", "is": {"text": str(error), "level": "warning"}}))
        await socket.close(4429, "too many")
        return
    sending = asyncio.create_task(viewer.run())
    hearing = asyncio.create_task(_hear(socket, session, viewer))
    try:
        await asyncio.wait((sending, hearing), return_when=asyncio.FIRST_COMPLETED)
    finally:
        session.leave(viewer)
        for task in (sending, hearing):
            task.cancel()
        await asyncio.gather(sending, hearing, return_exceptions=True)
        with contextlib.suppress(RuntimeError, WebSocketDisconnect):
            await socket.close()


async def _hear(socket: WebSocket, session: Session, viewer: Viewer) -> None:
    while True:
        try:
            message = await socket.receive()
        except (WebSocketDisconnect, RuntimeError):
            return
        if message["type"] != "websocket.receive":
            return
        text = message.get("text")
        try:
            if text is None or len(text) > _LONGEST:
                raise BenchError(400, got="bytes, or a message too long", wanted="JSON text")
            _obey(text, session, viewer)
        except (ValueError, RecursionError) as error:
            refused = BenchError(400, got=str(error)[:100], wanted='such as {"ack": 7}')
            viewer.answer({"id": None, **error_body(refused)})
        except IcewrightError as error:
            viewer.answer({"id": None, **error_body(error)})


def _obey(text: str, session: Session, viewer: Viewer) -> None:
    data = json.loads(text)
    if not isinstance(data, dict):
        raise BenchError(400, got=type(data).__name__, wanted='an object, such as {"ack": 7}')
    session.touched = asyncio.get_running_loop().time()
    if "ack" in data:
        session.took(viewer)
        return
    if "frames" in data:
        _frames(data["frames"], session, viewer)
        return
    word, number = data.pop("do", None), data.pop("id", None)
    if number is not None and (isinstance(number, bool) or not isinstance(number, int | str)):
        number = None
    if not isinstance(word, str) or word not in _DO:
        raise BenchError(400, got=f"do {word!r}"[:100], wanted="one of " + ", ".join(_DO))
    shape, method = _DO[word]
    try:
        answer = getattr(session, method)(shape.model_validate(data))
    except ValidationError as error:
        viewer.answer({"id": number, **error_body(refusal(error))})
    except IcewrightError as error:
        viewer.answer({"id": number, **error_body(error)})
    else:
        viewer.answer({"id": number, "answer": answer.model_dump(mode="json")})


def _frames(asked: Any, session: Session, viewer: Viewer) -> None:
    if not isinstance(asked, dict):
        raise BenchError(400, got="frames", wanted='{"frames": {"most_per_s": 8, "on": true}}')
    rate = asked.get("most_per_s", viewer.most_per_s)
    if isinstance(rate, bool) or not isinstance(rate, int | float) or not 0.1 <= rate <= 30:
        raise BenchError(400, got=f"most_per_s {rate!r}"[:60], wanted="0.1 to 30")
    viewer.most_per_s = float(rate)
    viewer.wants_frames = asked.get("on", viewer.wants_frames) is True
    session.touched = asyncio.get_running_loop().time()
    session.again()


def refusal(error: Any) -> BenchError:
    """What pydantic refused, in our words. `error` has `errors()`."""
    first = error.errors()[0]
    place = ".".join(str(part) for part in first["loc"] if part not in ("body", "query", "path"))
    got = repr(first.get("input"))[:80]
    message = str(first["msg"]).removeprefix("Value error, ")
    return BenchError(422, got=f"{place} = {got}" if place else got, wanted=message)


__all__ = ["StoreError", "router"]

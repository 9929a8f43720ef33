"""The endpoints of designs: a target in, a search that can be watched and stopped, recipes out."""

from __future__ import annotations

import asyncio
from typing import Annotated

from fastapi import APIRouter, Depends, File, Form, Request, UploadFile

from icewright.bench import design_shapes as shapes
from icewright.bench import runs, targets
from icewright.bench.api import _ERRORS, Set
from icewright.bench.designs import Designs
from icewright.bench.security import BenchError
from icewright.bench.shapes import RecipeView

router = APIRouter(prefix="/api", responses=_ERRORS)


def _designs(request: Request) -> Designs:
    found: Designs = request.app.state.designs
    return found


DesignsOf = Annotated[Designs, Depends(_designs)]


@router.get("/targets/words")
async def target_words() -> shapes.TargetWords:
    """What may be asked for, and what the trade's words mean in numbers."""
    return targets.words()


@router.post("/targets/read")
async def read_target(asked: shapes.TargetText, settings: Set) -> shapes.TargetView:
    """A target as text: what it asks, and the same as rows."""
    return await asyncio.to_thread(targets.view, asked.toml, settings.folder)


@router.post("/targets/write")
async def write_target(asked: shapes.TargetDraft, settings: Set) -> shapes.TargetView:
    """A target as rows: what it asks, and the same as text."""
    return await asyncio.to_thread(targets.view, targets.written(asked), settings.folder)


@router.post("/outlines", status_code=201)
async def add_outline(
    settings: Set,
    file: Annotated[UploadFile, File()],
    radius_um: Annotated[float, Form(ge=0.1, le=20000)] = 50.0,
) -> shapes.OutlineKept:
    """A drawing or photograph whose outline is wanted; kept in the folder as plain pixels or polygons."""
    from icewright.bench import outlines

    data = await file.read(settings.photo_bytes + 1)
    if len(data) > settings.photo_bytes:
        raise BenchError(413, "The file is too large.", wanted=f"{settings.photo_bytes // 1_000_000} MB")
    return await asyncio.to_thread(
        outlines.keep, data, file.filename or "", settings.folder, settings.photo_pixels, radius_um * 1e-6
    )


@router.get("/designs")
async def list_designs(designs: DesignsOf) -> list[shapes.DesignBrief]:
    """Searches, and designs in the chosen folder; newest first."""
    return await asyncio.to_thread(designs.listed)


@router.post("/designs", status_code=202)
async def new_design(asked: shapes.NewDesign, designs: DesignsOf, settings: Set) -> shapes.Design:
    """Search for a target, in the background."""
    target = await asyncio.to_thread(targets.parsed, asked.toml, settings.folder)
    resolved = targets.resolved(asked.toml, settings.folder)
    return designs.add(asked, target.title, resolved)


@router.get("/designs/{name}")
async def get_design(name: str, designs: DesignsOf) -> shapes.Design:
    """How one stands: its best crystal so far, or what it came to."""
    return await asyncio.to_thread(designs.get, name)


@router.post("/designs/{name}/stop")
async def stop_design(name: str, designs: DesignsOf) -> shapes.Design:
    """Good enough: stop, and keep the best so far."""
    return designs.stop(name)


@router.post("/designs/{name}/resume", status_code=202)
async def resume_design(name: str, designs: DesignsOf) -> shapes.Design:
    """Go on with a stopped one."""
    return designs.resume(await asyncio.to_thread(designs.get, name))


@router.get("/designs/{name}/recipes/{file}")
async def design_recipe(name: str, file: str, designs: DesignsOf, settings: Set) -> RecipeView:
    """A recipe that it wrote, to be carried to a session."""
    text = await asyncio.to_thread(designs.recipe, name, file)
    got = runs.read_recipe(text, settings.folder)
    written = None if got.plan is None else (text, list(got.notes))
    return runs.recipe_view(got.recipe, None, written, got.plan)

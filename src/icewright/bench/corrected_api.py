"""The endpoints of measured folders and their corrections by hand."""

from __future__ import annotations

import asyncio
from typing import Annotated, Literal

from fastapi import APIRouter, Depends, File, Form, Request, Response, UploadFile
from fastapi.responses import FileResponse

from icewright.bench import corrected_shapes as shapes
from icewright.bench.api import _ERRORS, Set
from icewright.bench.corrected import Desk
from icewright.bench.security import BenchError

router = APIRouter(prefix="/api/measurements", responses=_ERRORS)

_KINDS = {".csv": "text/csv", ".nc": "application/x-netcdf", ".json": "application/json", ".png": "image/png"}


async def _of(request: Request) -> Desk:
    state = request.app.state
    if not hasattr(state, "desk"):
        state.desk = Desk(state.settings)
    found: Desk = state.desk
    return found


DeskOf = Annotated[Desk, Depends(_of)]


@router.get("")
async def list_measurements(desk: DeskOf) -> list[shapes.MeasurementBrief]:
    """Folders that `icewright measure` or this page has written, newest first."""
    return await asyncio.to_thread(desk.listed)


@router.post("/photos", status_code=201)
async def measure_photo(
    desk: DeskOf,
    settings: Set,
    file: Annotated[UploadFile, File()],
    x_um: Annotated[float, Form(gt=0, le=1000)],
    y_um: Annotated[float | None, Form(gt=0, le=1000)] = None,
    u_percent: Annotated[float, Form(ge=0, lt=50)] = 0.0,
    view: Annotated[Literal["auto", "plan", "side"], Form()] = "auto",
    name: Annotated[str, Form(max_length=100)] = "",
) -> shapes.Measurement:
    """Measure a photograph, into a folder of its own."""
    from icewright.measure.scale import Scale

    data = await file.read(settings.photo_bytes + 1)
    if len(data) > settings.photo_bytes:
        raise BenchError(413, "The file is too large.", wanted=f"{settings.photo_bytes // 1_000_000} MB")
    scale = Scale(x_um * 1e-6, (x_um if y_um is None else y_um) * 1e-6, u_percent / 100, "as given")
    return await asyncio.to_thread(desk.measure, data, file.filename or "", name, scale, view)


@router.get("/{name}")
async def get_measurement(name: str, desk: DeskOf) -> shapes.Measurement:
    """One of them: its pictures in a line each."""
    return await asyncio.to_thread(desk.measurement, name)


@router.get("/{name}/pictures/{n}")
async def get_picture(name: str, n: int, desk: DeskOf) -> shapes.PictureView:
    """A picture with its crystals, as found and as corrected."""
    return await asyncio.to_thread(desk.picture, name, n)


@router.get("/{name}/pictures/{n}/image", response_class=Response)
async def get_image(name: str, n: int, desk: DeskOf) -> Response:
    """The photograph itself, as PNG."""
    return Response(await asyncio.to_thread(desk.image, name, n), media_type="image/png")


@router.post("/{name}/pictures/{n}/ready", status_code=204)
async def make_ready(name: str, n: int, desk: DeskOf) -> None:
    """Look through a picture beforehand: the first correction is then measured as quickly as the next."""
    await asyncio.to_thread(desk.make_ready, name, n)


@router.put("/{name}/pictures/{n}/crystals/{crystal}")
async def correct_crystal(
    name: str, n: int, crystal: int, asked: shapes.ByHand, desk: DeskOf
) -> shapes.CrystalView:
    """Let exactly this hold by hand for a crystal; the numbers measured anew come back."""
    return await asyncio.to_thread(desk.correct, name, n, crystal, asked)


@router.put("/{name}/pictures/{n}/scale")
async def correct_scale(name: str, n: int, asked: shapes.CorrectScale, desk: DeskOf) -> shapes.PictureView:
    """Another scale for a picture, or for all."""
    return await asyncio.to_thread(desk.scale, name, n, asked)


@router.post("/{name}/series")
async def write_series(name: str, desk: DeskOf) -> shapes.SeriesWritten:
    """Write CSV, data set, curves and contact sheets anew, corrections applied and marked."""
    return await asyncio.to_thread(desk.rewrite, name)


@router.get("/{name}/files/{file}", response_class=FileResponse)
async def get_file(name: str, file: str, desk: DeskOf) -> FileResponse:
    """What was written: the series, its data set, its curves, what was found, what was corrected."""
    path = await asyncio.to_thread(desk.file, name, file)
    return FileResponse(path, media_type=_KINDS[path.suffix], filename=path.name)

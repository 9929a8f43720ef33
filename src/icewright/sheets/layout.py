"""The pages of a recipe sheet: a fixed template, and the words and numbers that go into it as data.

Nothing that a user wrote becomes part of the template: titles and notes are read by the typesetter as
data, so that no sign in them has a meaning.
"""

from __future__ import annotations

import json
import re
from collections.abc import Sequence
from typing import TYPE_CHECKING, Any

from icewright.ground.units import percent, ug, um
from icewright.recipe.quantities import HECTOPASCAL, MICROMETRE
from icewright.sheets import drawings, type_in, words
from icewright.sheets.reading_back import FOOT
from icewright.sheets.words import celsius, change, clock, number, over_ice

if TYPE_CHECKING:
    from icewright.recipe.model import Recipe
    from icewright.sheets.content import Sheet, Station

KIND = "icewright.sheet"
SCHEMA = 1

TEMPLATE = r"""
#let d = json("data.json")
#set document(title: d.title, author: (), keywords: d.keywords, description: "Recipe sheet", date: auto)
#set page(
  paper: "a4",
  margin: (top: 11mm, bottom: 13mm, x: 14mm),
  footer-descent: 25%,
  footer: context text(size: 6.4pt)[
    #d.foot #h(1fr) page #counter(page).display() of #counter(page).final().first()
  ],
)
#set text(font: "DejaVu Sans", size: 7.6pt, lang: "en", region: "GB", ligatures: false, hyphenate: false)
#set par(leading: 0.5em, spacing: 0.65em, justify: false)
#let small(body) = text(size: 6.4pt, body)
#let head(body) = block(above: 3.2mm, below: 1.5mm, sticky: true,
  text(size: 8.6pt, weight: "bold", body))
#let lines(rows, how) = for row in rows [#how(row) \ ]

#grid(columns: (1fr, auto), column-gutter: 4mm, align: (left + bottom, right + bottom),
  text(size: 15pt, weight: "bold", d.title),
  small[#d.version \ mark *#d.mark*],
)
#block(above: 1.6mm, below: 1.8mm, line(length: 100%, stroke: 0.8pt))
#text(size: 8.4pt, d.outcome)

#grid(columns: (1fr, 1fr), column-gutter: 5mm,
  [#head[Before you start] #list(marker: sym.square.stroked, body-indent: 1.4mm, spacing: 0.6em, ..d.before)
   #head[The rule] #d.rule],
  [#head[Mind] #text(size: 6.9pt, list(marker: [!], spacing: 0.55em, ..d.cautions))],
)

#let hand(words) = [#small(words) #v(2.4mm) #line(length: 100%, stroke: 0.4pt + luma(110))]
#let cell(s) = (
  text(size: if s.label.len() > 2 { 9.4pt } else { 13pt }, weight: "bold", s.label),
  [#lines(s.set, row => text(size: 9.4pt, weight: "bold", row)) #lines(s.air, small)
   #if s.note != "" [#text(size: 6.6pt, style: "italic", s.note)]],
  [#text(size: 9.4pt, weight: "bold", s.until) \ #lines(s.endings, small)],
  image(s.picture, width: d.picture_mm * 1mm),
  [#text(size: 6.9pt, s.look.join(" ")) \ #for row in s.pace [#box(small(row)) \ ]],
  [#hand[clock] #hand(s.measure)],
)
#v(1mm)
#set table.cell(breakable: false)
#table(
  columns: (9mm, d.wide.at(0) * 1mm, d.wide.at(1) * 1mm, d.picture_mm * 1mm + 2mm, 1fr, 15mm),
  inset: (x: 1.1mm, y: 1.4mm),
  stroke: (x, y) => (top: if y < 2 { 0.8pt } else { 0.35pt }, bottom: 0.35pt),
  align: (left + top),
  table.header(..d.columns.map(c => text(size: 6.8pt, weight: "bold", c))),
  [], table.cell(colspan: 2)[#small(d.seed_words)], image("seed.png", width: 0.75 * d.picture_mm * 1mm),
  table.cell(colspan: 2)[#small[Left: seen along the axis (plan). Right: from the side. Each picture has its
    own bar.]],
  ..d.stations.map(cell).flatten(),
)

#block(breakable: false, above: 2.5mm, below: 1mm, image("curves.svg", width: 100%))

#block(breakable: false, above: 3.2mm)[
  #head[When it goes otherwise]
  #table(columns: (36mm, 1fr), inset: (x: 1.1mm, y: 1.1mm), stroke: (x, y) => (bottom: 0.35pt, top: 0.35pt),
    ..d.rescue.map(r => (text(weight: "bold", size: 7pt, r.at(0)), text(size: 6.9pt, r.at(1)))).flatten())
]

#set list(marker: [–], body-indent: 1.2mm, spacing: 0.5em)
#block(breakable: false, above: 3.2mm)[
  #head[What this prediction is worth]
  #text(size: 6.9pt, list(..d.worth))
]

#block(breakable: d.block_breaks, above: 3.2mm)[
  #head[Type this in to grow it again]
  #small[#d.typing]
  #block(above: 1.6mm, inset: (x: 2mm, y: 1.8mm), stroke: 0.5pt, width: 100%,
    text(font: "DejaVu Sans Mono", size: d.block_pt * 1pt, raw(block: true, d.block)))
]

#head[Sources]
#text(size: 5.5pt, grid(columns: (1fr, 1fr), column-gutter: 5mm,
  ..d.sources.map(half => list(spacing: 0.4em, ..half))))
"""

_BINDS = re.compile(r"(?<=\d) (?=(?:µm|µg|ng|min|hPa)\b|%|°C)|(?<=clock) (?=\d)|(?<=radius) (?=\d)")
_COLUMNS = (
    "",
    "set",
    "until",
    "predicted at its end",
    "what to look for",
    "yours",
)
_RULE = (
    "Size first, clock second. A step is over when its size is there, whatever the clock says; the clock "
    "counts where no size is named, or where the latest time comes first. Times are predicted, from the "
    "moment the seed is in place."
)
_RULE_OF_KNOBS = " “Set” names the knobs, beneath them the air that they make."
_VIEW_MM = (28.0, 37.0)
_SEED = 0.75  # of that width
_UNBROKEN = 50  # lines of the block that are kept on one page


def files(sheet: Sheet) -> dict[str, bytes]:
    """The template and everything that it reads, by file name."""
    found = {"main.typ": TEMPLATE.encode(), "curves.svg": drawings.curves_svg(sheet)}
    width = _picture_mm(sheet)
    found["seed.png"] = drawings.crystal_png(sheet.stations[0].start.solid, _SEED * width)
    for place, station in enumerate(sheet.stations):
        found[f"crystal-{place}.png"] = drawings.crystal_png(station.end.solid, width)
    found["data.json"] = json.dumps(data(sheet), ensure_ascii=False).encode()
    return found


def data(sheet: Sheet) -> dict[str, Any]:
    """What the template reads, as text and plain numbers."""
    mark = type_in.mark(sheet.recipe)
    block = type_in.block(sheet.recipe)
    count = len(sheet.stations)
    said = {
        "title": sheet.title,
        "version": f"predicted by Icewright {sheet.version}"
        + (f", {sheet.grown[:10]}" if sheet.grown else ""),
        "mark": mark,
        "foot": f"{FOOT} · {sheet.title[:60]} · mark {mark}",
        "outcome": outcome(sheet),
        "before": before(sheet),
        "rule": _RULE + (_RULE_OF_KNOBS if sheet.apparatus else ""),
        "picture_mm": _picture_mm(sheet),
        "wide": [42, 37] if count <= 5 else [49, 40],
        "columns": list(_COLUMNS),
        "seed_words": seed_words(sheet),
        "stations": [_station(s, place, sheet) for place, s in enumerate(sheet.stations)],
        "rescue": [list(pair) for pair in words.rescue(sheet)],
        "cautions": cautions(sheet),
        "worth": worth(sheet),
        "typing": typing_words(sheet.recipe),
        "block": block.rstrip("\n"),
        # The widest line decides: 177 mm are free, and a sign of the mono font is 0.602 of its size wide.
        "block_pt": min(8.2, 177.0 / 25.4 * 72.0 / (0.602 * max(len(line) for line in block.splitlines()))),
        "block_breaks": block.count("\n") > _UNBROKEN,
        "keywords": [KIND, f"schema {SCHEMA}", f"mark {mark}"],
        "sources": _halves(list(sheet.sources)),
    }
    return {
        key: value if key in ("block", "mark", "keywords") else _bound(value) for key, value in said.items()
    }


def _bound(value: Any) -> Any:
    """The same with numbers and their units kept on one line."""
    if isinstance(value, str):
        return _BINDS.sub("\N{NO-BREAK SPACE}", value)
    if isinstance(value, list):
        return [_bound(item) for item in value]
    if isinstance(value, dict):
        return {key: _bound(item) for key, item in value.items()}
    return value


def _picture_mm(sheet: Sheet) -> float:
    """Width of a picture: smaller where there are many."""
    return max(_VIEW_MM[0], _VIEW_MM[1] * min(1.0, 5.0 / len(sheet.stations)))


def outcome(sheet: Sheet) -> str:
    """How it ends, in a line."""
    end = sheet.stations[-1].end
    return (
        f"Ends as {words.a(end.habit)}, {number(2 * um(end.sizes.radius_tip_m))} µm from tip to tip (radius "
        f"{number(um(end.sizes.radius_tip_m))} µm), {number(um(end.sizes.thickness_m))} µm thick, "
        f"{_mass(end.mass_kg)}, after {clock(end.time_s)} min."
    )


def before(sheet: Sheet) -> list[str]:
    """What must stand ready."""
    recipe = sheet.recipe
    held = {
        "free": "free in air, fed from all sides",
        "plate": "lying on a flat, dry, cold plate",
        "pedestal": "on a pedestal above a cold plate",
        "needle": "on the end of a thin ice needle",
    }[recipe.held.way]
    for words_, value in (
        ("height", recipe.held.height_m),
        ("radius of the stalk", recipe.held.stalk_radius_m),
    ):
        if value is not None:
            held += f", {words_} {MICROMETRE.text(value)} µm"
    first = sheet.stations[0].label.split()[0]
    told = [f"Crystal: {held}. {seed_words(sheet)}"]
    gas = "air" if recipe.gas is None else "another gas, see the last block"
    told.append(f"Pressure {HECTOPASCAL.text(recipe.pressure_pa)} hPa, {gas}.")
    if sheet.apparatus:
        told.append(f"Apparatus: {sheet.apparatus}, settled at the settings of step {first}.")
    else:
        told.append(f"Air settled at the values of step {first} before the seed is in.")
    if recipe.notes:
        given = recipe.notes.given().items()
        rows = [f"{key.replace('_', ' ')}: {number(v, 6) if isinstance(v, float) else v}" for key, v in given]
        told.append(f"Stage: {'; '.join(rows)}.")
    return told


def seed_words(sheet: Sheet) -> str:
    """The seed's size."""
    seed, start = sheet.recipe.seed, sheet.stations[0].start
    radius = seed.radius_m if seed.radius_m is not None else start.sizes.radius_tip_m
    thick = seed.thickness_m if seed.thickness_m is not None else start.sizes.thickness_m
    return (
        f"Seed: radius {number(um(radius), 4)} µm (centre to corner), thickness {number(um(thick), 4)} µm"
        + (", a crystal grown before." if seed.crystal is not None else ".")
    )


def cautions(sheet: Sheet) -> list[str]:
    """Cautions for people, each once, and whom to defer to last."""
    from icewright.apparatus.cautions import COLD_SURFACES, DEFER

    # Whatever grows ice is cold, also where no apparatus says so.
    all_ = [*sheet.cautions, *(() if sheet.apparatus else (COLD_SURFACES,))]
    said = [text for text in dict.fromkeys(all_) if text != DEFER]
    return [_capital(text) for text in [*said, DEFER]]


def worth(sheet: Sheet) -> list[str]:
    """How far to trust it."""
    said = [
        f"A model, not a measurement: docs/physics/limits.md says by how much it misses. Voxels of "
        f"{number(um(sheet.voxel_m), 2)} µm; kinetics {_kinetics(sheet.recipe)}.",
        *_notes(sheet.apparatus_notes),
        *(_capital(text) + "." for text in sheet.warnings),
    ]
    if sheet.from_memory:
        # Sources say it of themselves further down; attachment coefficients say at which temperatures.
        alpha = [text.split(": ")[0] for text in sheet.from_memory if text.startswith("attachment")]
        rest = len(sheet.from_memory) - len(alpha)
        shown = [*alpha, *([f"{rest} sources marked so below"] if rest else [])]
        said.append("Hangs on values from memory, which nobody here has confirmed: " + "; ".join(shown) + ".")
    return list(dict.fromkeys(said))


def typing_words(recipe: Recipe) -> str:
    """How to use the block."""
    also = type_in.needs(recipe)
    return (
        "Type these lines into a file, say again.toml (spaces do not matter, signs do). "
        "“icewright sheet again.toml --mark” finds a slip of the fingers by the mark; "
        "“icewright grow again.toml --out again” grows the same crystal, to the bit on the same version and "
        "machine. "
        'For a finer crystal write preset = "standard" or "fine".'
        + (" It needs " + " and ".join(also) + "." if also else "")
    )


def _notes(notes: Sequence[str]) -> list[str]:
    """The times of the lag in one line, and every other note in its own."""
    lags = [text.removeprefix("lag, ") for text in notes if text.startswith("lag, ")]
    rest = [_capital(text) + "." for text in notes if not text.startswith("lag, ")]
    return [*([f"Lag: {'; '.join(lags)}."] if lags else []), *rest]


def _kinetics(recipe: Recipe) -> str:
    if recipe.kinetics.endswith(".toml"):
        return recipe.kinetics.replace("\\", "/").split("/")[-1]
    return f"{recipe.kinetics}, one of two rival views: grow with the other before trusting either"


def _halves(rows: list[str]) -> list[list[str]]:
    """Two columns of about equal length."""
    total, gone = sum(len(row) for row in rows), 0
    for k, row in enumerate(rows):
        gone += len(row)
        if 2 * gone >= total:
            return [rows[: k + 1], rows[k + 1 :]]
    return [rows, []]


def _station(station: Station, place: int, sheet: Sheet) -> dict[str, Any]:
    (t0, s0), (t1, s1) = station.air
    long = station.end.sizes.aspect_ratio >= 1.25
    air = [
        f"{words.through([celsius(t) for t, _ in station.path])} °C",
        f"{words.through([over_ice(s) for _, s in station.path])} % over ice",
    ]
    if station.settings:
        told = [
            f"{_spoken(name)} {change(*(_knob(v, sheet.knob_steps.get(name, 0.0)) for v in ends))} "
            f"{_unit(name)}"
            for name, ends in station.settings.items()
        ]
        wanted = ""
        if station.set_air is not None:
            (t0, s0), (t1, s1) = station.set_air
            wanted = _wanted(station)
        small = [
            f"makes {change(celsius(t0), celsius(t1))} °C, {change(over_ice(s0), over_ice(s1))} % over ice",
            wanted,
            _humidity(t0, s0, t1, s1),
        ]
    else:
        told, small = air, [_humidity(t0, s0, t1, s1), _frost(t0, s0, t1, s1)]
    if len(station.steps) > 1 and not station.settings:
        small.append(f"in {len(station.steps)} ramps, all in the lines to type in")
    ramp = any(step.ramps for step in station.steps)
    if ramp and len(station.steps) == 1 and station.steps[0].endings.time_s is not None:
        small.append(f"evenly within {clock(station.steps[0].endings.time_s)} min")
    until, endings = _endings(station)
    grows = any(sigma > 0.0 for _, sigma in station.path)
    return {
        "label": station.label.replace(" to ", "\N{EN DASH}"),
        "set": told,
        "air": [row for row in small if row],
        "note": station.note,
        "until": until,
        "endings": endings,
        "picture": f"crystal-{place}.png",
        "look": words.look_for(station),
        "pace": [*words.pace(station), *words.speed(station)] if grows else [],
        "measure": "length µm" if long else "radius µm",
    }


def _wanted(station: Station) -> str:
    """What the recipe asks for, where whole steps of the knobs miss it; else nothing."""
    if station.set_air is None or not station.worked_out:
        return ""
    (t0, s0), (t1, s1) = station.air
    off = [(abs(a[0] - b[0]), abs(a[1] - b[1])) for a, b in zip(station.air, station.set_air, strict=True)]
    if max(kelvin for kelvin, _ in off) < 0.01 and max(sigma for _, sigma in off) < 0.0005:
        return ""
    return f"recipe: {change(celsius(t0), celsius(t1))} °C, {change(over_ice(s0), over_ice(s1))} % over ice"


def _endings(station: Station) -> tuple[str, list[str]]:
    """The ending in large print, and the rest of what is known of it."""
    ends = station.steps[-1].endings
    end = station.end
    sizes = []
    if ends.radius_m is not None:
        sizes.append(
            (
                f"radius {MICROMETRE.text(ends.radius_m)} µm",
                f"= {number(2 * um(ends.radius_m), 4)} µm tip to tip",
            )
        )
    if ends.thickness_m is not None:
        along = "along the axis" if ends.radius_m is None else ""
        sizes.append((f"thickness {MICROMETRE.text(ends.thickness_m)} µm", along))
    if ends.mass_kg is not None:
        sizes.append((f"mass {number(ug(ends.mass_kg), 4)} µg", ""))
    small = []
    timed = _total_s(station)
    when = f"about {clock(station.length_s)} into the step; clock {clock(end.time_s)}"
    grown = (
        f"then radius {number(um(end.sizes.radius_tip_m))}, thickness {number(um(end.sizes.thickness_m))} µm"
    )
    if sizes:
        large = " or ".join(text for text, _ in sizes)
        small += [more for _, more in sizes if more]
        if station.ended_on_size:
            small.append(when)
            if timed is not None:
                small.append(f"at the latest after {clock(timed)} min")
        else:
            small.append(
                f"or {clock(timed or station.length_s)} min, which comes first; clock {clock(end.time_s)}"
            )
    else:
        large = f"{clock(timed if timed is not None else station.length_s)} min are over"
        small.append(f"clock {clock(end.time_s)}")
    return large, [*small, grown]


def _total_s(station: Station) -> float | None:
    """Time after which the clock ends the station, or None if only a size does."""
    times = [step.endings.time_s for step in station.steps]
    return None if times[-1] is None else sum(t or 0.0 for t in times)


def _humidity(t0: float, s0: float, t1: float, s1: float) -> str:
    from icewright.vapour.supersaturation import relative_humidity, sigma_at_water_saturation

    rh = [number(percent(float(relative_humidity(t, s))), 3) for t, s in ((t0, s0), (t1, s1))]
    room = min(float(sigma_at_water_saturation(t)) - s for t, s in ((t0, s0), (t1, s1)))
    fog = f"{over_ice(room)} % below fog" if room >= 0 else f"{over_ice(-room)} % ABOVE FOG"
    return f"= {change(*rh)} % over water, {fog}"


def _frost(t0: float, s0: float, t1: float, s1: float) -> str:
    import numpy as np

    from icewright.vapour.supersaturation import frost_point, vapour_pressure

    told = []
    for t, s in ((t0, s0), (t1, s1)):
        vapour = float(vapour_pressure(t, s))
        if not 1e-4 < vapour < 611.0:
            return ""
        told.append(celsius(float(np.asarray(frost_point(vapour)))))
    return f"frost point {change(*told)} °C"


def _spoken(name: str) -> str:
    from icewright.apparatus.basis import bare

    return bare(name).replace("_", " ")


def _knob(value: float, step: float) -> str:
    """To the digits that the knob shows."""
    from decimal import Decimal

    places = max(0, -int(Decimal(repr(step)).normalize().as_tuple().exponent)) if step > 0 else 0
    return f"{value:.{places}f}".replace("-", "\N{MINUS SIGN}") if step > 0 else number(value, 6)


def _unit(name: str) -> str:
    from icewright.apparatus.basis import unit_of

    return unit_of(name).replace("degC", "°C").replace("um", "µm")


def _mass(mass_kg: float) -> str:
    value = ug(mass_kg)
    return f"{number(value)} µg" if value >= 0.1 else f"{number(1e3 * value)} ng"


def _capital(text: str) -> str:
    return text[:1].upper() + text[1:].rstrip(".") if text else text


__all__ = ["KIND", "SCHEMA", "TEMPLATE", "data", "files"]

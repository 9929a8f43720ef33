"""The crystal that is wanted: stages in the trade's words, numbers at the end, an outline, another's crystal.

A target is any mix of these, in a TOML file of its own kind (``docs/design.md`` names every key)::

    kind = "icewright.target"
    schema = 1
    title = "A star on a plate"
    kinetics = "layer-fits"

    [limits]
    minutes = 40
    thickness_um = 15

    [[stage]]
    habit = "plate"
    radius_um = 40

    [[stage]]
    habit = "branches"
    radius_um = 80

What it asks of a grown crystal is a list of terms, each a relative misfit (``icewright.design.distance`` and
``icewright.design.wants``); its distance is their root mean square, and limits that are broken come on top.
"""

from __future__ import annotations

import math
import tomllib
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

from icewright.design import twin
from icewright.design.distance import SAME, TERMS, Misfit, misfit
from icewright.design.portrait import DesignError, Portrait
from icewright.design.wants import HABITS, LONG, NUMBERS, Range, habit_of, number
from icewright.ground.records import check_kind
from icewright.ground.units import celsius_to_kelvin

if TYPE_CHECKING:
    from icewright.recipe.held import Held
    from icewright.recipe.seed import Seed

KIND = "icewright.target"
SCHEMA = 1
OUTLINE_TERMS = ("size", "outline", "arms")
NEVER_REACHED = 0.3
LEAST_MINUTES, MOST_MINUTES = 0.01, 14 * 24 * 60.0

_TOP: tuple[str, ...] = (
    "kind",
    "schema",
    "title",
    "kinetics",
    "apparatus",
    "air",
    "held",
    "seed",
    "limits",
    "stage",
    "wanted",
)
_TOP += ("outline", "crystal")
_STAGE = ("habit", "radius_um", "thickness_um", "side_branches_at_um", "set_off_by", "minutes", "note")
_LIMITS = ("minutes", "thickness_um", "radius_um", "temperature_c", "water_fraction", "steps")


@dataclass(frozen=True)
class Stage:
    """One stage of the crystal's life, in the trade's words.

    Parameters
    ----------
    habit : a word of ``icewright.design.wants.HABITS``.
    wants : ranges at the end of the stage, those of the word and those of the file.
    radius_m, thickness_m : the size that ends the stage, where the file gives one.
    branch_at_m : radii at which side branches are set off.
    set_off_by : "dip" or "pulse" of the humidity.
    """

    habit: str
    wants: tuple[Range, ...] = ()
    radius_m: float | None = None
    thickness_m: float | None = None
    branch_at_m: tuple[float, ...] = ()
    set_off_by: str = "dip"
    note: str = ""

    @property
    def long(self) -> bool:
        """Whether its size is watched along c."""
        return (self.habit in LONG and self.thickness_m is not None) or self.radius_m is None


@dataclass(frozen=True)
class Limits:
    """What no recipe may pass: seconds in all, height, temperatures (K), share of water saturation, steps."""

    time_s: float | None = None
    thickness_m: float | None = None
    radius_m: float | None = None
    temperature_k: tuple[float, float] = (celsius_to_kelvin(-30.0), celsius_to_kelvin(-1.0))
    water_fraction: float = 1.0
    steps: int = 3


@dataclass(frozen=True)
class Grown:
    """What a trial came to: the crystal at the end of each stage (None: never reached) and at the end.

    ``whole`` is False where the trial was cut, because it ran far beyond what is wanted.
    """

    stages: tuple[Portrait | None, ...]
    last: Portrait
    whole: bool = True


@dataclass(frozen=True)
class Target:
    """A crystal that is wanted; see the module text. Lengths in metres, times in seconds."""

    title: str = ""
    kinetics: str = "broad-narrow"
    apparatus: str | None = None
    pressure_pa: float = 101325.0
    held: Held | None = None
    seed: Seed | None = None
    limits: Limits = field(default_factory=Limits)
    stages: tuple[Stage, ...] = ()
    wants: tuple[Range, ...] = ()
    crystal: Portrait | None = None
    terms: tuple[str, ...] = TERMS
    arms: int = 6
    cautions: tuple[str, ...] = ()

    # -- sizes --------------------------------------------------------------------------------------------

    @property
    def radius_m(self) -> float | None:
        """The final radius asked for, if any."""
        return self._size("radius_um", "radius_m")

    @property
    def thickness_m(self) -> float | None:
        """The final height asked for, if any."""
        if self.crystal is not None and "thickness" not in self.terms:
            return None
        return self._size("thickness_um", "thickness_m")

    def _size(self, name: str, attribute: str) -> float | None:
        for want in self.wants:
            if want.name == name:
                return want.low * 1e-6 if want.low == want.high else None
        if self.stages and getattr(self.stages[-1], attribute) is not None:
            return float(getattr(self.stages[-1], attribute))
        if self.crystal is not None:
            return float(getattr(self.crystal, attribute)) or None
        return None

    @property
    def extent_m(self) -> float:
        """Half the largest length that is asked for anywhere; what voxels are cut from."""
        found = [0.0]
        for stage in self.stages:
            found += [stage.radius_m or 0.0, (stage.thickness_m or 0.0) / 2]
        for want in self.wants:
            top = want.high if math.isfinite(want.high) else want.low
            if want.name in ("radius_um", "thickness_um"):
                found.append(top * 1e-6 / (2 if want.name == "thickness_um" else 1))
        if self.crystal is not None:
            found += [self.crystal.radius_m, self.crystal.thickness_m / 2]
        return max(found) or 50e-6

    # -- how far off a crystal is -------------------------------------------------------------------------

    def misfit(self, grown: Grown) -> Misfit:
        """What a grown crystal misses, term by term. Limits that are kept do not appear."""
        terms: dict[str, float] = {}
        if self.crystal is not None:
            terms |= misfit(self.crystal, grown.last, self.terms).terms
        for want in self.wants:
            terms[f"wanted {want.name}"] = want.miss(number(grown.last, want.name))
        for i, stage in enumerate(self.stages):
            there = grown.stages[i] if i < len(grown.stages) else None
            # A stage that was never reached is judged by the crystal that there is, and misses in any case.
            late = 0.0 if there is not None else NEVER_REACHED
            for want in stage.wants:
                terms[f"stage {i + 1} {want.name}"] = late + want.miss(number(there or grown.last, want.name))
        return Misfit(terms)

    def broken(self, grown: Grown) -> dict[str, float]:
        """Limits that a grown crystal breaks, and by how much (logarithm of the ratio)."""
        last, found = grown.last, {}
        for name, most, got in (
            ("limit minutes", self.limits.time_s, last.time_s),
            ("limit thickness_um", self.limits.thickness_m, last.thickness_m),
            ("limit radius_um", self.limits.radius_m, last.radius_m),
        ):
            if most is not None and got > most * 1.02:  # a voxel's width is no breach
                found[name] = min(math.log(got / most), 3.0)
        return found

    def same(self, grown: Grown) -> bool:
        """Whether it counts as the crystal wanted: near enough as a whole, and in every single want.

        A mean over many wants would let a plate pass for a star whose other wants it meets.
        """
        wants = [v for name, v in self.misfit(grown).terms.items() if name not in TERMS]
        return (
            self.distance(grown) <= SAME and max([*wants, *self.broken(grown).values()], default=0.0) <= SAME
        )

    def distance(self, grown: Grown) -> float:
        """Root mean square of the terms, and the root of the squares of broken limits on top."""
        over = sum(v * v for v in self.broken(grown).values())
        return math.sqrt(self.misfit(grown).distance ** 2 + over)


CrystalReader = Callable[[Path], tuple[Portrait, Mapping[str, Any]]]


def read(path: str | Path, crystal: CrystalReader | None = None) -> Target:
    """The target in a file. Paths in it count from its own folder.

    ``crystal`` opens a run folder for ``[crystal]``: it gives back the portrait of its last crystal and its
    recipe's ``kinetics, pressure_pa, held, seed``, which the target keeps unless it says otherwise.

    Raises ``DesignError`` for a file that is missing, or asks for what cannot be.
    """
    path = Path(path)
    try:
        data = tomllib.loads(path.read_text(encoding="utf-8-sig"))
    except OSError as error:
        raise DesignError(
            got=f"{path} cannot be read ({error.strerror})",
            wanted="a target file",
            do="icewright design examples/target-plate.toml --out plate-design",
        ) from error
    except (tomllib.TOMLDecodeError, UnicodeDecodeError) as error:
        raise DesignError(f"{path} is not TOML.", got=str(error)) from error
    try:
        return from_dict(data, path.parent, crystal)
    except DesignError as error:
        raise DesignError(
            f"{path}: {error.message}" if error.message else str(path),
            got=error.got,
            wanted=error.wanted,
            do=error.do,
        ) from error


def from_dict(data: Mapping[str, Any], folder: Path, crystal: CrystalReader | None = None) -> Target:
    """A target from plain data, as TOML gives it. Raises as ``read``."""
    from icewright.ground.errors import RecordError

    try:
        check_kind(data, KIND, SCHEMA)
    except RecordError as error:
        raise DesignError(error.message, got=error.got, wanted=error.wanted, do=error.do) from error
    _known(data, _TOP, "target")
    made = Target(title=_text(data, "title"), limits=_limits(_table(data, "limits")))
    given: dict[str, Any] = {}
    if "crystal" in data:
        portrait, of_run = _crystal(_table(data, "crystal"), folder, crystal)
        given |= dict(of_run) | {"crystal": portrait}
    if "outline" in data:
        if "crystal" in data:
            raise DesignError(got="[outline] and [crystal]", wanted="one of them", do="delete [outline]")
        from icewright.design import outlines

        table = _table(data, "outline")
        _known(table, ("file", "radius_um", "thickness_um"), "[outline]")
        found = outlines.read(
            folder / _needed(table, "file", "[outline]"), _length(table, "radius_um", "[outline]")
        )
        given |= {
            "crystal": found.portrait,
            "terms": OUTLINE_TERMS,
            "arms": found.fold,
            "cautions": found.notes,
        }
    given |= _conditions(data, folder)
    wants = tuple(
        _range(n, v, "[wanted]") for n, v in _table(data, "wanted").items() if n not in ("habit", "arms")
    )
    wanted = _table(data, "wanted")
    if "habit" in wanted:
        wants += _without(HABITS[habit_of(str(wanted["habit"]))], wants)
    if "arms" in wanted:
        given["arms"] = int(_number(wanted, "arms", "[wanted]"))
    stages = data.get("stage", [])
    if not isinstance(stages, list):
        raise DesignError(got="[stage]", wanted="stages in double brackets", do="[[stage]]")
    made = replace(made, **given, wants=wants, stages=tuple(_stage(s, i) for i, s in enumerate(stages, 1)))
    _check(made)
    return made


def _check(target: Target) -> None:
    if target.crystal is None and not target.stages and not target.wants:
        raise DesignError(
            "Nothing is wanted.",
            got="no [[stage]], no [wanted], no [outline], no [crystal]",
            wanted="at least one of them",
            do='[[stage]]\nhabit = "plate"\nradius_um = 50',
        )
    sizes = [target.radius_m, target.thickness_m, target.limits.time_s]
    if all(v is None for v in sizes) and not any(
        w.name in ("radius_um", "thickness_um") for w in target.wants
    ):
        raise DesignError(
            "Nothing says how large the crystal shall be.",
            got="no radius_um, no thickness_um, no minutes",
            wanted="a size of the last stage, or under [wanted]",
            do="radius_um = 100",
        )
    last = 0.0
    for i, stage in enumerate(target.stages, 1):
        if stage.radius_m is not None:
            if stage.radius_m <= last:
                raise DesignError(
                    got=f"stage {i}: radius_um = {stage.radius_m * 1e6:g} after {last * 1e6:g}",
                    wanted="radii that grow: ice here never shrinks",
                    do=f"radius_um = {last * 2e6:g}",
                )
            last = stage.radius_m
    seed = target.seed
    if seed is not None and target.radius_m is not None and (seed.radius_m or 0) >= target.radius_m:
        raise DesignError(
            got=f"a seed of {(seed.radius_m or 0) * 1e6:g} um, a crystal of {target.radius_m * 1e6:g} um",
            wanted="a seed smaller than the crystal",
            do="[seed]\nradius_um = 3\nthickness_um = 3",
        )


def _conditions(data: Mapping[str, Any], folder: Path) -> dict[str, Any]:
    from icewright.recipe.held import Held
    from icewright.recipe.seed import Seed

    given: dict[str, Any] = {}
    if "kinetics" in data:
        name = _text(data, "kinetics")
        given["kinetics"] = str((folder / name).resolve()) if name.endswith(".toml") else name
    if "apparatus" in data:
        given["apparatus"] = str((folder / _text(data, "apparatus")).resolve())
    air = _table(data, "air")
    _known(air, ("pressure_hpa",), "[air]")
    if "pressure_hpa" in air:
        given["pressure_pa"] = 100 * _number(air, "pressure_hpa", "[air]")
    if "held" in data:
        table = _table(data, "held")
        _known(table, ("way", "height_um", "stalk_radius_um"), "[held]")
        more = {
            key: _length(table, name, "[held]")
            for key, name in (("height_m", "height_um"), ("stalk_radius_m", "stalk_radius_um"))
            if name in table
        }
        given["held"] = Held(way=_text(table, "way") or "free", **more)  # type: ignore[arg-type]
    if "seed" in data:
        table = _table(data, "seed")
        _known(table, ("radius_um", "thickness_um"), "[seed]")
        given["seed"] = Seed(
            radius_m=_length(table, "radius_um", "[seed]"),
            thickness_m=_length(table, "thickness_um", "[seed]"),
        )
    return given


def _limits(table: Mapping[str, Any]) -> Limits:
    _known(table, _LIMITS, "[limits]")
    made = Limits()
    if "minutes" in table:
        minutes = _number(table, "minutes", "[limits]")
        if not LEAST_MINUTES <= minutes <= MOST_MINUTES:
            raise DesignError(
                got=f"[limits]: minutes = {minutes:g}", wanted="0.01 to two weeks", do="minutes = 40"
            )
        made = replace(made, time_s=60 * minutes)
    if "thickness_um" in table:
        made = replace(made, thickness_m=_length(table, "thickness_um", "[limits]"))
    if "radius_um" in table:
        made = replace(made, radius_m=_length(table, "radius_um", "[limits]"))
    if "temperature_c" in table:
        pair = table["temperature_c"]
        if not (isinstance(pair, list) and len(pair) == 2 and -70 <= min(pair) <= max(pair) <= 0):
            raise DesignError(
                got=f"[limits]: temperature_c = {pair}",
                wanted="[coldest, warmest] in Celsius, from -70 to 0",
                do="temperature_c = [-20, -2]",
            )
        made = replace(
            made, temperature_k=(celsius_to_kelvin(float(min(pair))), celsius_to_kelvin(float(max(pair))))
        )
    if "water_fraction" in table:
        most = _number(table, "water_fraction", "[limits]")
        if not 0.5 < most <= 2:
            raise DesignError(
                got=f"[limits]: water_fraction = {most:g}",
                wanted="the moistest air as a fraction of water saturation (1 is where fog forms)",
                do="water_fraction = 0.98",
            )
        made = replace(made, water_fraction=most)
    if "steps" in table:
        steps = int(_number(table, "steps", "[limits]"))
        if not 1 <= steps <= 4:
            raise DesignError(got=f"[limits]: steps = {steps}", wanted="1 to 4", do="steps = 3")
        made = replace(made, steps=steps)
    return made


def _stage(table: Any, place: int) -> Stage:
    where = f"stage {place}"
    if not isinstance(table, Mapping):
        raise DesignError(got=where, wanted="a table", do='[[stage]]\nhabit = "plate"\nradius_um = 50')
    _known(table, _STAGE, where)
    word = habit_of(_needed(table, "habit", where))
    wants: tuple[Range, ...] = tuple(
        _range(name, table[name], where) for name in ("radius_um", "thickness_um", "minutes") if name in table
    )
    wants += _without(HABITS[word], wants)
    sizes = {}
    for name in ("radius_um", "thickness_um"):
        value = table.get(name)
        if isinstance(value, int | float) and not isinstance(value, bool):
            sizes[name.replace("_um", "_m")] = _length(table, name, where)
    places = table.get("side_branches_at_um", [])
    if not isinstance(places, list):
        places = [places]
    at = tuple(_length({"side_branches_at_um": v}, "side_branches_at_um", where) for v in places)
    by = _text(table, "set_off_by") or "dip"
    if by not in ("dip", "pulse"):
        raise DesignError(
            got=f"{where}: set_off_by = {by}", wanted='"dip" or "pulse"', do='set_off_by = "dip"'
        )
    if at:
        wants += (Range("side_branches", float(len(at))),)
    return Stage(
        word,
        wants,
        sizes.get("radius_m"),
        sizes.get("thickness_m"),
        tuple(sorted(at)),
        by,
        _text(table, "note"),
    )


def _without(ranges: tuple[Range, ...], said: tuple[Range, ...]) -> tuple[Range, ...]:
    names = {r.name for r in said}
    return tuple(r for r in ranges if r.name not in names)


def _crystal(
    table: Mapping[str, Any], folder: Path, reader: CrystalReader | None
) -> tuple[Portrait, Mapping[str, Any]]:
    _known(table, ("run", "size", "arms", "thickness"), "[crystal]")
    if reader is None:
        raise DesignError(got="[crystal]", wanted="a reader of run folders")
    made, of_run = reader(folder / _needed(table, "run", "[crystal]"))
    factors = {}
    for key in ("size", "arms", "thickness"):
        if key in table:
            value = _number(table, key, "[crystal]")
            if not 0.2 <= value <= 5:
                raise DesignError(
                    got=f"[crystal]: {key} = {value:g}", wanted="a factor, 0.2 to 5", do=f"{key} = 1.2"
                )
            factors[key] = value
    return twin.of(made, **factors), of_run


# -- keys -------------------------------------------------------------------------------------------------


def _known(table: Mapping[str, Any], keys: tuple[str, ...], where: str) -> None:
    for key in table:
        if key not in keys:
            from difflib import get_close_matches

            near = get_close_matches(key, keys, n=1, cutoff=0.5)
            raise DesignError(
                got=f"{where}: unknown key {key}",
                wanted="one of " + ", ".join(keys),
                do=f"{near[0]} = ..." if near else f"delete the line with {key}",
            )


def _table(data: Mapping[str, Any], key: str) -> Mapping[str, Any]:
    value = data.get(key, {})
    if not isinstance(value, Mapping):
        raise DesignError(got=f"{key} = {value!r}", wanted=f"a table, [{key}]", do=f"[{key}]")
    return value


def _text(data: Mapping[str, Any], key: str) -> str:
    value = data.get(key, "")
    if not isinstance(value, str):
        raise DesignError(got=f"{key} = {value!r}", wanted="text in quotes", do=f'{key} = "..."')
    return value


def _needed(data: Mapping[str, Any], key: str, where: str) -> str:
    if key not in data:
        raise DesignError(got=f"{where} without {key}", wanted=key, do=f'{key} = "..."')
    return _text(data, key)


def _number(data: Mapping[str, Any], key: str, where: str) -> float:
    value = data.get(key)
    if isinstance(value, bool) or not isinstance(value, int | float) or not math.isfinite(value):
        raise DesignError(got=f"{where}: {key} = {value!r}", wanted="a number", do=f"{key} = 10")
    return float(value)


def _length(data: Mapping[str, Any], key: str, where: str) -> float:
    if key not in data:
        raise DesignError(got=f"{where} without {key}", wanted=f"{key}, in micrometres", do=f"{key} = 50")
    value = _number(data, key, where)
    if not 0.1 <= value <= 20000:
        raise DesignError(
            got=f"{where}: {key} = {value:g}",
            wanted="0.1 to 20000 micrometres",
            do=f"if it was metres: {key} = {value * 1e6:g}" if value < 0.1 else f"{key} = 50",
        )
    return value * 1e-6


def _range(name: str, value: Any, where: str) -> Range:
    if name not in NUMBERS:
        _known({name: value}, (*NUMBERS, "habit", "arms"), where)
    if isinstance(value, list):
        if len(value) != 2:
            raise DesignError(
                got=f"{where}: {name} = {value}", wanted="[least, most]", do=f"{name} = [10, 15]"
            )
        low, high = (_number({name: v}, name, where) for v in value)
        return Range(name, low, high)
    one = _number({name: value}, name, where)
    return Range(name, one, one)

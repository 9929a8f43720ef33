"""A commented starter recipe: from a habit, from conditions, or from the crystal under the microscope now."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

from icewright.ground.errors import IcewrightError
from icewright.recipe.limits import RecipeError
from icewright.recipe.quantities import exact, toml_number


@dataclass(frozen=True)
class Act:
    """One step of a starter, in laboratory units, as it will be written."""

    comment: str
    temperature: str
    humidity: str
    endings: tuple[str, ...]


@dataclass(frozen=True)
class Habit:
    """What a habit is, and steps known to lead there by common practice (no source; boundaries +-1 degC)."""

    title: str
    what: str
    acts: tuple[Act, ...]


HABITS: dict[str, Habit] = {
    "plate": Habit(
        "A hexagonal plate",
        "Near -2 degC and again near -12 degC, at one to two percent, the sides outrun the faces: "
        "flat hexagons.",
        (
            Act(
                "Gentle: raise it and the sides hollow.",
                "-2",
                "sigma_percent = 1.5",
                ("radius_um = 100", "minutes = 90"),
            ),
        ),
    ),
    "star": Habit(
        "A star with side branches",
        "Near -15 degC, close to water saturation, the six corners run ahead and branch.",
        (Act("Just below the fog.", "-15", "sigma_percent = 15", ("radius_um = 200", "minutes = 20")),),
    ),
    "column": Habit(
        "A solid column",
        "Near -6 degC, at a few percent, the faces outrun the sides.",
        (
            Act(
                "Gentle: above 3 % the ends hollow.",
                "-6",
                "sigma_percent = 2",
                ("thickness_um = 200", "minutes = 90"),
            ),
        ),
    ),
    "hollow-column": Habit(
        "A column with hollow ends",
        "Near -6 degC and near water saturation, the middle of each end cannot keep up with its rim.",
        (
            Act(
                "Moister than for a solid column.",
                "-6",
                "sigma_percent = 5",
                ("thickness_um = 300", "minutes = 60"),
            ),
        ),
    ),
    "needle": Habit(
        "A needle",
        "Near -5 degC, at water saturation, the ends run away.",
        (Act("At the edge of fog.", "-5", "water_fraction = 1", ("thickness_um = 400", "minutes = 40")),),
    ),
    "capped-column": Habit(
        "A capped column",
        "A column that meets colder, moister air grows a plate on each end.",
        (
            Act("First a column.", "-6", "sigma_percent = 2", ("thickness_um = 100", "minutes = 60")),
            Act(
                "Then cool and moisten, over two minutes.",
                "[-6, -15]",
                "sigma_percent = [2, 10]",
                ("minutes = 2",),
            ),
            Act("Plates grow on its ends.", "-15", "sigma_percent = 10", ("radius_um = 100", "minutes = 30")),
        ),
    ),
}


def starter(
    *,
    habit: str | None = None,
    temperature_c: float | None = None,
    sigma_percent: float | None = None,
    water_fraction: float | None = None,
    radius_um: float | None = None,
    thickness_um: float | None = None,
) -> str:
    """The text of a commented recipe that reads back with `icewright.recipe.files.loads`.

    Give a habit, or conditions (a temperature with one humidity), or conditions with the measured crystal
    that lies under the microscope: it becomes the seed, and the recipe asks what the same air makes of it,
    with the question "what if I raise the humidity?" ready below as a second step.

    Args:
        habit: one of `HABITS`.
        temperature_c: degrees Celsius.
        sigma_percent: supersaturation over ice, percent.
        water_fraction: vapour pressure as a fraction of saturation over supercooled water.
        radius_um: measured centre-to-corner radius, micrometres.
        thickness_um: measured thickness along c (the length of a column), micrometres.

    Raises:
        IcewrightError: for an unknown habit, a mixture, or something missing or impossible.
    """
    conditions = (temperature_c, sigma_percent, water_fraction)
    if habit is not None:
        if any(v is not None for v in conditions):
            raise RecipeError(
                got="--habit together with conditions",
                wanted="one of them: a habit brings its own conditions",
                do=f"icewright new --habit {habit}   then edit temperature_c and sigma_percent in the file",
            )
        text = _from_habit(habit, radius_um, thickness_um)
    elif any(v is not None for v in conditions):
        text = _from_conditions(temperature_c, sigma_percent, water_fraction, radius_um, thickness_um)
    elif radius_um is not None or thickness_um is not None:
        raise RecipeError(
            got="a measured crystal without its air",
            wanted="--temperature and one of --sigma, --water-fraction",
            do="icewright new --radius-um 80 --thickness-um 12 --temperature -15 --sigma 2",
        )
    else:
        raise RecipeError(
            got="nothing to start from",
            wanted="--habit, or --temperature with --sigma or --water-fraction",
            do="icewright new star.toml --habit star",
        )
    from icewright.recipe.files import loads

    loads(text)  # refuses impossible numbers with the recipe's own words
    return text


def save(text: str, path: str | Path, *, force: bool = False) -> Path:
    """Write a starter to a path.

    Raises:
        IcewrightError: if the file exists and `force` is not given, or its folder does not exist.
    """
    path = Path(path)
    if not path.parent.is_dir():
        raise IcewrightError(
            got=f"no folder {path.parent}", wanted="a folder to write in", do=f"mkdir -p {path.parent}"
        )
    try:
        with path.open("w" if force else "x", encoding="utf-8") as file:
            file.write(text)
    except FileExistsError:
        raise IcewrightError(
            got=f"{path} exists",
            wanted="a new name, or leave to overwrite it",
            do="the same command with --force",
        ) from None
    except OSError as cause:
        raise IcewrightError(got=f"{path} cannot be written ({cause.strerror})", wanted="a file") from cause
    return path


def _from_habit(name: str, radius_um: float | None, thickness_um: float | None) -> str:
    if name not in HABITS:
        from difflib import get_close_matches

        near = get_close_matches(name.lower(), HABITS, n=1, cutoff=0.4) or ["plate"]
        raise RecipeError(got=f"habit {name}", wanted="one of " + ", ".join(HABITS), do=f"--habit {near[0]}")
    habit = HABITS[name]
    seed = _seed(radius_um, thickness_um, default=("2", "2"))
    return _text(habit.title, habit.what, seed, [_act(act) for act in habit.acts])


def _from_conditions(
    temperature_c: float | None,
    sigma_percent: float | None,
    water_fraction: float | None,
    radius_um: float | None,
    thickness_um: float | None,
) -> str:
    if temperature_c is None:
        raise RecipeError(
            got="a humidity without a temperature", wanted="--temperature, in Celsius", do="--temperature -15"
        )
    if (sigma_percent is None) == (water_fraction is None):
        raise RecipeError(
            got="no humidity" if sigma_percent is None else "--sigma and --water-fraction",
            wanted="exactly one of --sigma (percent over ice) and --water-fraction",
            do="--sigma 2",
        )
    from icewright.recipe.limits import check_temperature

    check_temperature(temperature_c + 273.15, "icewright new", "--temperature")
    measured = radius_um is not None or thickness_um is not None
    humidity = (
        f"sigma_percent = {_n(sigma_percent)}"
        if sigma_percent is not None
        else f"water_fraction = {_n(water_fraction or 0.0)}"
    )
    at = f"{_n(temperature_c)} degC"
    acts = [_act(Act("The air as it is now.", _n(temperature_c), humidity, ("minutes = 15",)))]
    if measured:
        # Half-way between here and the fog is a question that a person at the knobs can put to a real
        # chamber.
        raised = _raised(temperature_c, sigma_percent, water_fraction)
        more = _act(
            Act(
                "What if the air is made moister? Take the # away and grow again.",
                _n(temperature_c),
                raised,
                ("minutes = 15",),
            )
        )
        acts.append("\n".join(line if line.startswith("#") else f"# {line}" for line in more.split("\n")))
        title, what = (
            f"The crystal under the microscope, at {at}",
            "The measured crystal is the seed, so the run says what comes next.",
        )
    else:
        title, what = (
            f"A crystal grown at {at}",
            "A small seed in steady air; the run says which habit comes out.",
        )
    return _text(
        title, what, _seed(radius_um, thickness_um, default=("2", "2")), acts, _margin(temperature_c)
    )


def _seed(radius_um: float | None, thickness_um: float | None, default: tuple[str, str]) -> str:
    if radius_um is None and thickness_um is None:
        return (
            "[seed]  # where it starts: a small hexagonal prism\n"
            f"radius_um = {default[0]}  # centre to corner\nthickness_um = {default[1]}  # along c"
        )
    if radius_um is None or thickness_um is None:
        have, lack = (
            ("--thickness-um", "--radius-um") if radius_um is None else ("--radius-um", "--thickness-um")
        )
        raise RecipeError(got=f"{have} alone", wanted="both sizes of the measured crystal", do=f"{lack} 10")
    return (
        "[seed]  # the crystal as measured\n"
        f"radius_um = {_n(radius_um)}  # centre to corner: half the widest distance across\n"
        f"thickness_um = {_n(thickness_um)}  # along c: the length, for a column"
    )


def _act(act: Act) -> str:
    ends = act.endings
    first = f"{ends[0]}  # ends here, or" if len(ends) > 1 else ends[0]
    rest = [f"{e}  # after this time, whichever comes first" for e in ends[1:]]
    return "\n".join(
        [f"# {act.comment}", "[[step]]", f"temperature_c = {act.temperature}", act.humidity, first, *rest]
    )


def _text(title: str, what: str, seed: str, acts: list[str], margin: str = "") -> str:
    return (
        "\n\n".join(
            [
                f"# {what}\n"
                "# Grow it:  icewright grow THIS-FILE --out my-run      Every key is explained in "
                "docs/recipe.md.",
                f'kind = "icewright.recipe"\nschema = 1\ntitle = "{title}"\n'
                'kinetics = "broad-narrow"  # the rival table is "layer-fits"; or the path of your own',
                "[air]\npressure_hpa = 1013.25",
                '[held]\nway = "free"  # or "plate", "pedestal", "needle"',
                seed,
                '[resolution]\npreset = "standard"  # "preview" is quicker, "fine" is finer',
                "# A step holds one number or ramps [from, to], and ends at whichever of its endings "
                "comes first.\n"
                "# Humidity: sigma_percent (over ice), water_fraction (1 = fog forms) or excess_g_m3."
                + margin,
                *acts,
            ]
        )
        + "\n"
    )


def _margin(temperature_c: float) -> str:
    return (
        f"\n# Fog forms at {_sigma_water_percent(temperature_c):.2f} % over ice at {_n(temperature_c)} degC."
    )


def _sigma_water_percent(temperature_c: float) -> float:
    from icewright.vapour.saturation import ice_pressure, water_pressure

    t_k = temperature_c + 273.15
    return 100.0 * (float(water_pressure(t_k)) / float(ice_pressure(t_k)) - 1.0)


def _raised(temperature_c: float, sigma_percent: float | None, water_fraction: float | None) -> str:
    if sigma_percent is None:
        now = water_fraction or 0.0
        return f"water_fraction = {_n(float(f'{(now + 1.0) / 2 if now < 1 else now * 1.05:.4g}'))}"
    fog = _sigma_water_percent(temperature_c)
    higher = (sigma_percent + fog) / 2 if sigma_percent < fog else sigma_percent * 1.2
    return f"sigma_percent = {_n(float(f'{higher:.3g}'))}"


def _n(value: float) -> str:
    return toml_number(exact(float(value)))

"""The command line as a whole: help that costs nothing, errors in one shape, exit codes."""

from __future__ import annotations

import json
import subprocess
import sys

import pytest

from icewright.cli.main import VERBS, run

HEAVY = [
    "numpy",
    "pydantic",
    "numba",
    "xarray",
    "zarr",
    "matplotlib",
    "skimage",
    "trimesh",
    "scipy",
    "pandas",
]


def imported_by(code: str) -> set[str]:
    names = "sorted({m.split('.')[0] for m in sys.modules})"
    script = f"import sys\n{code}\nprint(*{names}, file=sys.stderr)"
    done = subprocess.run([sys.executable, "-c", script], capture_output=True, text=True, check=True)
    return set(done.stderr.split())


@pytest.mark.parametrize("verb", ["", *VERBS])
def test_help_imports_nothing_heavy(verb: str) -> None:
    # Half a second is the promise; benchmarks/help_time.py measures it, as a clock in a test fails when
    # the machine is busy.
    arguments = [a for a in (verb, "--help") if a]
    found = imported_by(f"from icewright.cli.main import run\nassert run({arguments!r}) == 0")
    assert not found & set(HEAVY)
    assert "typer" in found


def test_importing_the_package_imports_nothing_heavy() -> None:
    assert not imported_by("import icewright, icewright.recipe") & {*HEAVY, "typer"}


def test_the_dozen_names_of_the_package_are_there() -> None:
    import icewright

    for name in ("read_recipe", "grow", "open_run", "air", "scales", "load_kinetics", "Solid", "starter"):
        assert name in dir(icewright)
        assert getattr(icewright, name) is not None
    with pytest.raises(AttributeError, match="no attribute 'flake'"):
        _ = icewright.flake  # type: ignore[attr-defined]


@pytest.mark.parametrize("verb", VERBS)
def test_every_command_has_json(verb: str, capsys) -> None:
    assert run([verb, "--help"]) == 0
    assert "--json" in capsys.readouterr().out


def test_help_lists_the_verbs_in_the_order_of_a_first_visit(capsys) -> None:
    assert run(["--help"]) == 0
    out = capsys.readouterr().out
    places = [out.index(f"  {verb} ") for verb in VERBS]
    assert places == sorted(places)


def test_version(capsys) -> None:
    from icewright import __version__

    assert run(["--version"]) == 0
    assert capsys.readouterr().out == f"icewright {__version__}\n"


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        (["new", "--habit", "sttar"], ["habit sttar", "--habit star"]),
        (["new", "--bogus"], ["No such option", "icewright new --help"]),
        (["nwe"], ["No such command 'nwe'", "icewright --help"]),
        (["grow"], ["no recipe", "icewright new"]),
        (["grow", "absent.toml"], ["no --out", "icewright grow absent.toml --out absent-run"]),
        (["grow", "absent.toml", "--out", "x"], ["no file absent.toml", "icewright new absent.toml"]),
        (["grow", "--resume", "absent"], ["no run in absent"]),
        (["grow", "a.toml", "--resume", "b"], ["its own recipe", "icewright grow --resume b"]),
    ],
)
def test_refusals_have_no_traceback_and_code_2(arguments, words, capsys, tmp_path, monkeypatch) -> None:
    monkeypatch.chdir(tmp_path)
    assert run(arguments) == 2
    said = capsys.readouterr()
    assert said.out == ""
    for part in words:
        assert part in said.err
    assert run([*arguments, "--json"]) == 2
    said = capsys.readouterr()
    error = json.loads(said.out)["error"]
    assert said.err == ""
    assert words[0] in error["got"] + error["wanted"] + error["message"]
    assert not list(tmp_path.iterdir())


def test_ctrl_c_leaves_with_130(monkeypatch, capsys) -> None:
    from icewright.tasks import new

    def stopped(**_):
        raise KeyboardInterrupt

    monkeypatch.setattr(new, "starter", stopped)
    assert run(["new", "--habit", "star"]) == 130
    assert "stopped" in capsys.readouterr().err
    assert run(["new", "--habit", "star", "--json"]) == 130
    assert json.loads(capsys.readouterr().out)["error"]["kind"] == "stopped"


def test_a_fault_of_the_program_keeps_its_traceback(monkeypatch) -> None:
    from icewright.tasks import new

    def broken(**_):
        raise ZeroDivisionError("a fault")

    monkeypatch.setattr(new, "starter", broken)
    with pytest.raises(ZeroDivisionError):
        run(["new", "--habit", "star"])


def test_json_of_what_json_cannot_hold() -> None:
    import numpy as np

    from icewright.cli.output import plain

    got = plain({"a": np.float32(1.5), "b": np.array([1.0, np.nan]), "c": float("inf"), "d": (True, None)})
    assert got == {"a": 1.5, "b": [1.0, None], "c": None, "d": [True, None]}

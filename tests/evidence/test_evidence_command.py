"""`icewright evidence`, quick, as a person runs it; what it keeps, and what happens when things go wrong."""

import json
import os

import pytest

from icewright.cli.main import run
from icewright.evidence import registry
from icewright.evidence.cells import Cell, Shelf, fingerprint, grow, one_by_one
from icewright.evidence.model import Plan
from icewright.kinetics.family import Member
from icewright.tasks import evidence as task

OWN = """
kind = "icewright.kinetics"
schema = 1
name = "tern-point"
source = "invented, cold room of the Tern Point science museum"
how = "from memory"
[basal]
temperature_c = [-3, -8]
sigma0_percent = [0.7, 0.8]
A = [1, 1]
[prism]
temperature_c = [-3, -8]
sigma0_percent = [0.2, 0.4]
A = [0.2, 0.4]
"""


@pytest.fixture(scope="module")
def quick(tmp_path_factory):
    """The whole quick version, once."""
    out = tmp_path_factory.mktemp("evidence")
    return out, task.evidence(out, command="icewright evidence")


def test_quick_runs_every_comparison(quick):
    out, done = quick
    assert list(done["comparisons"]) == list(registry.names())
    assert done["failed"] == []
    page = (out / "evidence.md").read_text()
    for name in registry.names():
        data = json.loads((out / "evidence" / f"{name}.json").read_text())
        assert data["kind"] == "icewright.evidence" and data["schema"] == 1
        assert data["code"] == fingerprint()
        assert f"## {data['title']}" in page
        assert data["finding"]["rows"]


def test_disagreement_is_as_prominent_as_agreement(quick):
    """Every disagreeing row stands in the list at the top, and in capitals in its own table."""
    out, _ = quick
    page = (out / "evidence.md").read_text()
    top = page[page.index("## Where it disagrees") : page.index(f"## {registry.load('moved-values').title}")]
    seen = 0
    for name in registry.names():
        finding = json.loads((out / "evidence" / f"{name}.json").read_text())["finding"]
        if finding["overall"]:
            continue
        for row in finding["rows"]:
            if row["verdict"] == "disagrees":
                seen += 1
                assert f"- {row['what']}: outside" in top
                assert finding["cause"]
    assert page.count("| **DISAGREES** |") >= seen > 0


def test_pure_diffusion_agrees_with_potential_theory(quick):
    """Capacitances within 1.5 %, the two-sphere factor within 2 % (closed forms; see the comparisons)."""
    _, done = quick
    for name in ("capacitances", "two-spheres"):
        assert set(done["comparisons"][name]["verdicts"].values()) == {"agrees"}


def test_pictures_are_there(quick):
    out, done = quick
    assert {"moved-values", "rival-kinetics", "habit-order"} <= {
        p.split("/")[-1].removesuffix(".png") for p in done["pictures"]
    }
    for each in done["pictures"]:
        assert (out / each).stat().st_size > 20_000


def test_called_again_it_grows_nothing(quick):
    out, _ = quick
    before = (out / "evidence.md").read_text()
    again = task.evidence(out, command="icewright evidence", pictures=False)
    assert again["grown_now"] == 0
    # the same page but for the pictures, each followed by an empty line
    kept = [line for line in before.splitlines() if line and not line.startswith("![")]
    assert [line for line in (out / "evidence.md").read_text().splitlines() if line] == kept


def test_torn_and_spoilt_files_lose_no_finished_crystal(quick):
    out, _ = quick
    cells = out / "evidence" / "cells-quick.jsonl"
    whole = cells.read_text()
    count = len(whole.splitlines())
    cells.write_text(whole + '{"kind": "icewright.evidence.cell", "key": "torn')
    assert len(Shelf(cells)._held) == count
    (out / "evidence" / "hollowing.json").write_text("{")
    done = task.evidence(out, only=["hollowing"], pictures=False)
    assert done["grown_now"] == 0
    assert done["comparisons"]["hollowing"]["verdicts"]
    cells.write_text(whole)


def test_stopped_half_way_it_goes_on(tmp_path):
    """Ctrl-C after three crystals: those are kept, and only the others are grown afterwards."""
    cells = [
        Cell(-15.0, ("sigma", 2.0), (("minutes", 0.2 + 0.1 * i),), Member("layer-fits"), voxel_um=2.0)
        for i in range(5)
    ]

    def stops(work, missing, landed):
        for i, cell in enumerate(missing[:3]):
            landed(i, work(cell))
        raise KeyboardInterrupt

    path = tmp_path / "cells.jsonl"
    with pytest.raises(KeyboardInterrupt):
        Plan(shelf=Shelf(path), spread=stops).grow(cells)
    grown = []

    def counts(work, missing, landed):
        grown.extend(missing)
        one_by_one(work, missing, landed)

    got = Plan(shelf=Shelf(path), spread=counts).grow(cells)
    assert grown == cells[3:]
    assert all(got[c].at() is not None for c in cells)


def test_a_crystal_that_cannot_be_grown_says_why_and_stops_nothing(tmp_path):
    own = tmp_path / "tern-point.toml"
    own.write_text(OWN)
    plan = Plan()
    cold, warm = (
        Cell(t, ("sigma", 2.0), (("minutes", 0.5),), Member(str(own)), voxel_um=2.0) for t in (-15.0, -5.0)
    )
    got = plan.grow([cold, warm])
    assert "say nothing about this temperature" in got[cold].failed
    assert got[cold].at() is None
    assert got[warm].at()["mass_ug"] > 0


def test_a_fault_of_ours_is_tried_again_and_not_kept(tmp_path):
    cell = Cell(-5.0, ("sigma", 2.0), (("minutes", 0.5),), Member("layer-fits"))
    shelf = Shelf(tmp_path / "cells.jsonl")
    shelf.put(cell, {"readings": [], "failed": "fault: ZeroDivisionError: x"})
    assert shelf.get(cell).failed
    assert Shelf(tmp_path / "cells.jsonl").get(cell) is None


def test_a_scaled_diffusivity_moves_the_mass(tmp_path):
    """Diffusion-limited growth: m ~ D^1.5 (closed form of the sphere), damped by what attachment
    withholds.
    """
    masses = []
    for d in ("1976", "1976 x 1.5"):
        until = (("minutes", 3.0),)
        read = grow(Cell(-10.6, ("water", 1.0), until, Member("broad-narrow"), d, voxel_um=2.0))
        assert read["failed"] == ""
        masses.append(read["readings"][-1]["mass_ug"])
    assert 1.25 < masses[1] / masses[0] < 1.5**1.5


def test_a_users_own_table_joins_by_its_file(tmp_path, capsys):
    own = tmp_path / "tern-point.toml"
    own.write_text(OWN)
    args = [
        "evidence",
        "--out",
        str(tmp_path / "page"),
        "--only",
        "hollowing",
        "--kinetics",
        str(own),
        "--json",
    ]
    assert run(args) == 0
    done = json.loads(capsys.readouterr().out)
    assert "tern-point" in done["comparisons"]["hollowing"]["verdicts"]
    assert "tern-point" in (tmp_path / "page" / "evidence.md").read_text()


@pytest.mark.parametrize(
    "args",
    [["--only", "nothing"], ["--kinetics", "not-there.toml"], ["--diffusivity", "1850"]],
)
def test_slips_are_refused_in_words(args, tmp_path, capsys):
    assert run(["evidence", "--out", str(tmp_path), *args]) == 2
    said = capsys.readouterr().err
    assert "got:" in said and "Traceback" not in said


def test_listing(capsys):
    assert run(["evidence", "--list", "--json"]) == 0
    named = json.loads(capsys.readouterr().out)["comparisons"]
    assert [c["name"] for c in named] == list(registry.names())


@pytest.mark.slow
def test_full(tmp_path):
    """Everything, over this machine's cores; minutes."""
    done = task.evidence(tmp_path, full=True, workers=os.cpu_count())
    assert list(done["comparisons"]) == list(registry.names())
    assert not [words for words in done["failed"] if "fault" in words or "worker" in words]

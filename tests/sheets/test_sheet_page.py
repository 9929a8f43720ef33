"""The page that documents the sheet names every option and every column."""

from __future__ import annotations

from pathlib import Path

import typer

from icewright.cli.main import app
from icewright.sheets import setpoints

PAGE = (Path(__file__).parents[2] / "docs" / "sheet.md").read_text(encoding="utf-8")


def test_every_option_is_named() -> None:
    group = typer.main.get_command(app)
    command = group.get_command(None, "sheet")
    options = {name for p in command.params for name in p.opts if name.startswith("--")}
    assert {"--apparatus", "--csv", "--mark"} <= options
    for name in options - {"--threads", "--help"}:
        assert name in PAGE, name


def test_every_column_is_explained() -> None:
    for name in (*setpoints.NAMES, "kind", "schema", setpoints.KIND):
        assert f"`{name}`" in PAGE, name

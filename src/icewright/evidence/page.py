"""The page that says how true the model is, written from the findings and from nothing else."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

_SHOWN = 80  # rows of one table on the page; all are in the data


def write(
    findings: Sequence[Mapping[str, Any]], *, head: Mapping[str, Any], pictures: Mapping[str, str]
) -> str:
    """The page as Markdown.

    Parameters
    ----------
    findings : each {"name", "title", "source", "states", "finding": a ``Finding`` as plain data}, in order.
    head : "command", "date", "level", "code", "tables", "diffusivities", "cells", "failed" (words of cells
        without a result), "notes" (what each table is, in words), "in_docs" (whether it lies beside the
    other documents). pictures : name of a comparison -> path of its picture, relative to the page.
    """
    lines = [
        "# How true is the model?",
        "",
        f"Written by `{head['command']}` on {head['date']} (level {head['level']}, code {head['code']}, "
        f"{head['cells']} crystals grown). Nothing in the model is tuned to this page, and nothing on it is "
        "written by hand. The numbers behind it lie beside it as JSON.",
        "",
        "**agrees**, **disagrees** and **cannot tell** are meant literally. An outside value that nobody "
        "here could "
        'confirm ("from memory") never makes a verdict; its misfit is shown. A tolerance marked "ours" is a '
        "choice of this project.",
        "",
        f"Kinetics: {', '.join(head['tables'])}. Diffusivities: {', '.join(head['diffusivities'])} (see "
        f"{_link('physics/vapour-and-kinetics.md', head)}). What the model leaves out: "
        f"{_link('physics/limits.md', head)}. How this page is made, resumed and added to: "
        f"{_link('evidence-command.md', head)}.",
        "",
        "## In short",
        "",
        *_short(findings),
        "",
        *_disagreements(findings),
    ]
    for each in findings:
        lines += _section(each, pictures.get(each["name"]))
    lines += ["## What each kinetics is", ""]
    for name, words in head["notes"].items():
        lines += [f"- **{name}**: {words}"]
    lines += ["", "## Crystals without a result", ""]
    lines += [f"- {words}" for words in head["failed"]] or ["None."]
    return "\n".join(lines) + "\n"


def _short(findings: Sequence[Mapping[str, Any]]) -> list[str]:
    kinetics = list(dict.fromkeys(k for f in findings for k in f["finding"]["verdicts"]))
    named = [k for k in kinetics if not k.startswith(("none", "drag"))]
    lines = [_line(["question", *named, "without kinetics"]), _line(["---"] * (len(named) + 2))]
    for f in findings:
        verdicts = {k: _verdict(v) for k, v in f["finding"]["verdicts"].items()}
        verdicts |= f["finding"]["overall"]
        other = "; ".join(f"{k.removeprefix('none ')}: {v}" for k, v in verdicts.items() if k not in named)
        title = f"[{f['title']}](#{_anchor(f['title'])})"
        lines.append(_line([title, *(verdicts.get(k, "") for k in named), other]))
    return lines


def _disagreements(findings: Sequence[Mapping[str, Any]]) -> list[str]:
    """Every disagreement with one line each, as prominent as the agreements above."""
    lines = ["## Where it disagrees", ""]
    for f in findings:
        if f["finding"]["overall"]:
            continue  # those sum up the rows of others
        wrong: dict[str, list[str]] = {}
        for row in f["finding"]["rows"]:
            if row["verdict"] == "disagrees":
                said = _number(row["value"], row["unit"]) if row["value"] is not None else row["note"]
                wrong.setdefault(row["what"], []).append(f"{row['kinetics']} (D {row['diffusivity']}) {said}")
        if wrong:
            lines += [f"**{f['title']}**", ""]
            for what, who in wrong.items():
                outside = next(r["outside"] for r in f["finding"]["rows"] if r["what"] == what)
                lines.append(f"- {what}: outside {outside}; model: {'; '.join(_few(who))}")
            if f["finding"]["cause"]:
                lines += ["", f"  Likely cause: {f['finding']['cause']}"]
            lines.append("")
    return lines if len(lines) > 2 else [*lines, "Nowhere.", ""]


def _few(who: list[str]) -> list[str]:
    return who if len(who) <= 4 else [*who[:4], f"and {len(who) - 4} more"]


def _section(each: Mapping[str, Any], picture: str | None) -> list[str]:
    finding = each["finding"]
    lines = [
        f"## {each['title']}",
        "",
        f"- Source: {each['source']}.",
        f"- States: {each['states']}.",
        f"- Data: [`evidence/{each['name']}.json`](evidence/{each['name']}.json).",
        "",
    ]
    if picture:
        lines += [f"![{each['title']}]({picture})", ""]
    for said in finding["said"]:
        lines += [said, ""]
    if finding["cause"]:
        lines += [f"Likely physical cause of what does not fit: {finding['cause']}", ""]
    rows = finding["rows"]
    if any(row["value"] is not None or row["misfit"] is not None for row in rows) and not finding["overall"]:
        lines += [
            _line(["what", "outside", "known", "kinetics", "D", "model", "misfit", "verdict", "note"]),
            _line(["---"] * 9),
            *(_row(row) for row in rows[:_SHOWN]),
        ]
        if len(rows) > _SHOWN:
            lines.append(f"\n{len(rows) - _SHOWN} rows more are in the data.")
        lines.append("")
    for table in finding["tables"]:
        if table["rows"]:
            lines += [
                f"**{table['title']}**",
                "",
                _line(table["columns"]),
                _line(["---"] * len(table["columns"])),
            ]
            lines += [_line([_cell(v) for v in row]) for row in table["rows"][:_SHOWN]]
            lines.append("")
    return lines


def _link(path: str, head: Mapping[str, Any]) -> str:
    """A link beside the other documents, else the name of the page in them."""
    return f"[{path}]({path})" if head["in_docs"] else f"`docs/{path}`"


def _row(row: Mapping[str, Any]) -> str:
    misfit = row["misfit"]
    relative = "misfit" not in row["what"]
    shown = "" if misfit is None else (f"{misfit:+.0%}" if relative else f"{misfit:+.2g}")
    value = "" if row["value"] is None else _number(row["value"], row["unit"])
    return _line(
        [
            row["what"],
            row["outside"],
            row["known"],
            row["kinetics"],
            row["diffusivity"],
            value,
            shown,
            _verdict(row["verdict"]),
            row["note"],
        ]
    )


def _verdict(word: str) -> str:
    return {"agrees": "agrees", "disagrees": "**DISAGREES**"}.get(word, word)


def _number(value: float, unit: str) -> str:
    return f"{value:.3g} {unit}".strip()


def _cell(value: Any) -> str:
    if value is None:
        return "-"
    return f"{value:.3g}" if isinstance(value, float) else str(value)


def _line(cells: Sequence[Any]) -> str:
    return "| " + " | ".join(str(c).replace("|", "/").replace("\n", " ") for c in cells) + " |"


def _anchor(title: str) -> str:
    kept = "".join(ch for ch in title.lower() if ch.isalnum() or ch in " -")
    return kept.replace(" ", "-")

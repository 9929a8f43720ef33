"""Where each value comes from, and how well that place is known to us.

A source is cited by journal or standard, volume, page, year and DOI. ``how`` says how *we* know it:

* ``read``: the number was read in the source itself or in a public program file that transcribes it;
* ``abstract``: only the abstract or first page was read;
* ``from memory``: nobody here has confirmed it yet; never a pass/fail limit;
* ``computed``: worked out here from other values.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from typing import Literal, get_args

from icewright.ground.errors import SourceError

How = Literal["read", "abstract", "from memory", "computed"]


@dataclass(frozen=True)
class Source:
    """One source: a short ``key``, the ``citation`` in words, its ``doi`` if it has one, and ``how`` known.

    Raises ``SourceError`` for a ``how`` that is not one of the four words above.
    """

    key: str
    citation: str
    doi: str = ""
    how: How = "from memory"
    note: str = ""

    def __post_init__(self) -> None:
        if self.how not in get_args(How):
            raise SourceError(
                f"Source {self.key!r} does not say how it is known.",
                got=repr(self.how),
                wanted="one of " + ", ".join(get_args(How)),
            )


_REGISTER: dict[str, Source] = {}


def register(item: Source) -> Source:
    """Add a source to the register and give it back.

    The same source may be registered twice. Raises ``SourceError`` if its key is taken by a different one.
    """
    held = _REGISTER.setdefault(item.key, item)
    if held != item:
        raise SourceError(
            f"Two different sources share the key {item.key!r}.",
            got=item.citation,
            wanted=held.citation,
            do="give the new one a key of its own",
        )
    return item


def source(key: str) -> Source:
    """The registered source of that key. Raises ``SourceError`` if there is none."""
    try:
        return _REGISTER[key]
    except KeyError:
        raise SourceError(
            "No source has this key.",
            got=repr(key),
            wanted="one of " + ", ".join(sorted(_REGISTER)),
            do="icewright.ground.sources.register(Source(key, citation, ...))",
        ) from None


def known() -> tuple[str, ...]:
    """Every registered key, sorted."""
    return tuple(sorted(_REGISTER))


def bibtex(keys: Iterable[str]) -> str:
    """BibTeX ``@misc`` entries of these keys, each once, in the order first met.

    Entries name no authors: the citation (journal, volume, page, year) and DOI find the paper.
    Raises ``SourceError`` for an unknown key.
    """
    return "\n\n".join(_entry(source(key)) for key in dict.fromkeys(keys))


def _entry(item: Source) -> str:
    fields = {"title": f"{{{_escape(item.citation)}}}", "doi": item.doi, "note": _escape(_note(item))}
    rows = ",\n".join(f"  {name} = {{{text}}}" for name, text in fields.items() if text)
    return f"@misc{{{item.key},\n{rows}\n}}"


def _note(item: Source) -> str:
    return "; ".join(text for text in (f"known here: {item.how}", item.note) if text)


def _escape(text: str) -> str:
    for sign in "&%_#$":
        text = text.replace(sign, "\\" + sign)
    return text

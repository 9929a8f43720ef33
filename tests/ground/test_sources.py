"""Sources: one key, one source; how it is known; BibTeX that a reader of BibTeX accepts."""

from __future__ import annotations

import re

import pytest

from icewright.ground import sources
from icewright.ground.errors import SourceError
from icewright.ground.sources import Source, bibtex, register, source


@pytest.fixture(autouse=True)
def own_register(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(sources, "_REGISTER", {})


def test_the_same_source_may_be_registered_twice_but_not_another_under_its_key() -> None:
    first = register(Source("k", "J. Nowhere 1, 2, 2026", how="read"))
    assert register(Source("k", "J. Nowhere 1, 2, 2026", how="read")) == first
    with pytest.raises(SourceError, match="share the key"):
        register(Source("k", "J. Elsewhere 3, 4, 2026", how="read"))
    assert source("k") is first


def test_unknown_keys_and_unknown_standing_are_refused() -> None:
    with pytest.raises(SourceError, match="No source has this key"):
        source("nobody")
    with pytest.raises(SourceError, match="how it is known"):
        Source("k", "c", how="hearsay")  # type: ignore[arg-type]


def test_bibtex_is_balanced_escaped_and_each_key_once() -> None:
    register(Source("a", "Ice & snow, 5 %", doi="10.1/x", how="abstract"))
    register(Source("b", "No DOI", how="from memory", note="why"))
    text = bibtex(["b", "a", "b"])
    assert re.findall(r"@misc\{(\w+),", text) == ["b", "a"]
    assert text.count("{") == text.count("}")
    assert r"Ice \& snow, 5 \%" in text
    assert text.count("doi = ") == 1
    assert "known here: from memory; why" in text

"""The table of the public API in DEVELOPERS.md: it is what the modules offer, no more, no less."""

from __future__ import annotations

import importlib
import re
from pathlib import Path

import pytest

GUIDE = (Path(__file__).parent.parent / "DEVELOPERS.md").read_text(encoding="utf-8")
TABLE = GUIDE.split("\n## Public API\n", 1)[1].split("\n## ", 1)[0]
ROWS = re.findall(r"^\| `([\w.]+)` \| (firm|young) \| (.*) \|$", TABLE, re.M)


def test_the_table_lists_the_modules_that_plugins_may_use():
    """Two lists of what is public would be two answers."""
    sentence = re.search(r"what a user of the package can use: (.*?)\.\n", GUIDE, re.S)
    assert sentence
    assert [name for name, _, _ in ROWS] == re.findall(r"`([\w.]+)`", sentence[1])


@pytest.mark.parametrize(("module", "names"), [(name, names) for name, _, names in ROWS])
def test_the_names_are_those_of_the_module(module, names):
    """A name in one and not in the other: nobody would know whether to rely on it."""
    offered = importlib.import_module(module)
    listed = re.findall(r"`(\w+)`", names)
    assert listed == sorted(offered.__all__)
    assert all(hasattr(offered, name) for name in listed)

"""Other events in a labels file: every other line of it stays as it was written."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

import yaml

from slipguard.recording.labels import parse_labels
from slipguard.section import dump_yaml

KEYS = ("proposed", "events")
"""What is written anew; comments among these lines are not carried over."""


def relabelled(
    text: str, events: Sequence[Mapping[str, Any]], *, proposed: bool, source: str
) -> str:
    """The text of a labels file with these events in place of its own.

    Parameters
    ----------
    text : str
        As it is; empty where there is no file yet.
    events : sequence of mapping
        With the keys of ``Event``; checked as those of a file are.
    proposed : bool
        Whether nobody has confirmed them.
    source : str
        Names the file in errors.

    Raises
    ------
    RecordingError
        The text, or the text with these events, is no labels file.
    """
    parse_labels(text, source)
    content: dict[str, Any] = {"proposed": True} if proposed else {}
    content["events"] = [dict(event) for event in events]
    new = dump_yaml(content, allow_unicode=False)
    root = yaml.compose(text, Loader=yaml.SafeLoader)
    if not isinstance(root, yaml.MappingNode):  # empty, or comments alone
        rest = text
    elif root.flow_style:
        own = {k: v for k, v in yaml.safe_load(text).items() if k not in KEYS}
        rest = dump_yaml(own) if own else ""
    else:
        rest = _without(text, root)
    if rest and not rest.endswith("\n"):
        rest += "\n"
    text = rest + new
    parse_labels(text, source)
    return text


def _without(text: str, root: yaml.MappingNode) -> str:
    """The text less the lines of what is written anew."""
    lines = text.splitlines(keepends=True)
    starts = [key.start_mark.line for key, _ in root.value] + [len(lines)]
    gone: set[int] = set()
    for number, (key, _) in enumerate(root.value):
        if key.value in KEYS:
            first, last = starts[number], starts[number + 1]
            # Unindented comments before the next key, or at the end, are not of this one.
            while last > first + 1 and (not lines[last - 1].strip() or lines[last - 1][0] == "#"):
                last -= 1
            gone |= set(range(first, last))
    return "".join(line for number, line in enumerate(lines) if number not in gone)

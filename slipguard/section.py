"""YAML mappings that know where they were written.

The core's settings, those of every plugin, and labels beside a recording are read through
``Section``, so that each error names file, line and key, what was found and what was expected.
"""

from __future__ import annotations

import difflib
import math
import os
import re
import reprlib
import types
from collections.abc import Collection, Iterable, Iterator, Mapping
from contextlib import contextmanager
from dataclasses import MISSING, Field, field, fields, is_dataclass
from pathlib import Path
from typing import Any, Literal, TypeVar, Union, get_args, get_origin, get_type_hints

import yaml

from slipguard import settings
from slipguard.errors import ConfigError, SlipguardError

S = TypeVar("S")
MOST_PROBLEMS = 20
"""Mistakes told at once."""
MAX_NODES = 20_000
"""Values one file may hold, aliases counted as often as they are used."""

DECIMAL_COMMA = re.compile(r"[-+]?\d*,\d+")
"""A number as many countries write it."""
SMALLER_UNITS = {"m": {"mm": 1000, "cm": 100}, "kg": {"g": 1000}}
"""Units in which drawings, tapes and scales tell what a setting wants in a larger one."""
NONE = "none"
"""As ``slipguard settings`` prints what is not set. A file may say so, where no text is wanted."""
SMALLEST, LARGEST = 1e-12, 1e12
"""No size, time or force of a rover is smaller (but 0) or larger: a value that has limits must keep
these too, so that arithmetic with any of them, squared or divided by another, stays finite."""


class BadValueError(Exception):
    """What is wrong with one value, before file and line are known."""


class Section(Mapping[str, Any]):
    """Keys and plain values of one YAML mapping; a mapping inside it is again a Section.

    Attributes
    ----------
    source : str
        File it came from, as errors name it.
    path : str
        Dotted name of the section, e.g. ``plugins.servo-brake``; empty at the top level.
    line : int or None
        Line of the section, 1 is the first; None when it was not read from a text.
    """

    __slots__ = ("_error", "_lines", "_values", "line", "path", "source")

    def __init__(
        self,
        values: Mapping[str, Any] | None = None,
        *,
        source: str = "<settings>",
        path: str = "",
        line: int | None = None,
        lines: Mapping[str, int] | None = None,
        error: type[SlipguardError] = ConfigError,
    ) -> None:
        self.source = source
        self.path = path
        self.line = line
        self._lines = dict(lines or {})
        self._error = error
        self._values = {
            key: Section(value, source=source, path=self.name(key), error=error)
            if isinstance(value, Mapping) and not isinstance(value, Section)
            else value
            for key, value in (values or {}).items()
        }

    def __getitem__(self, key: str) -> Any:
        return self._values[key]

    def __iter__(self) -> Iterator[str]:
        return iter(self._values)

    def __len__(self) -> int:
        return len(self._values)

    def __repr__(self) -> str:
        return f"Section({self._values!r})"

    def name(self, key: str) -> str:
        """Dotted name of ``key``, e.g. ``plugins.servo-brake.pin``."""
        return f"{self.path}.{key}" if self.path else key

    def line_of(self, key: str) -> int | None:
        """Line on which ``key`` stands; the section's own when it is not there."""
        return self._lines.get(key, self.line)

    def error(self, key: str | None, problem: str) -> SlipguardError:
        """The error to raise about ``key``, or about the whole section when it is None."""
        line = self.line if key is None else self.line_of(key)
        name = self.path if key is None else self.name(key)
        return self._error(_located(self.source, line, name, problem))

    def check_keys(self, known: Iterable[str]) -> None:
        """Refuse keys that are not in ``known``, naming the nearest one to each."""
        known = list(known)
        before = [None, *self.values()]
        self.refuse(
            self.error(key, f"unknown key{_slip(key, value, left) or suggest(key, known)}")
            for left, (key, value) in zip(before, self.items(), strict=False)
            if key not in known
        )

    def refuse(self, problems: Iterable[SlipguardError]) -> None:
        """Raise all of these as one error, a line each; none is none."""
        lines = [str(problem) for problem in problems]
        if len(lines) > MOST_PROBLEMS:
            lines[MOST_PROBLEMS:] = [f"... and {len(lines) - MOST_PROBLEMS} more"]
        if lines:
            raise self._error("\n".join(lines))

    @contextmanager
    def noted(self, problems: list[SlipguardError]) -> Iterator[None]:
        """What is raised inside is put into ``problems``, so that all are told at once."""
        try:
            yield
        except self._error as err:
            problems.append(err)

    def section(self, key: str) -> Section:
        """The mapping at ``key``; ``key:`` with nothing after it is an empty one."""
        value = self[key]
        if isinstance(value, Section):
            return value
        if value is None:
            return Section(
                source=self.source,
                path=self.name(key),
                line=self.line_of(key),
                error=self._error,
            )
        raise self.error(
            key, f"found {show(value)}, expected a section of keys, e.g. {{key: value}}"
        )

    def read(self, kind: type[S]) -> S:
        """Build the settings dataclass ``kind`` from this section.

        Each field of ``kind`` is declared with ``settings.setting``. Its type is one of float,
        int, str, bool (each may be ``| None``), ``tuple[T, ...]``, a triple of floats, another
        such dataclass, or ``dict[str, T]``, whose keys are limited by ``choices``.
        ``kind.__post_init__`` may refuse a combination of values with a ValueError that begins
        with ``"key: "``.

        Raises
        ------
        ConfigError
            File, line and key; what was found and what was expected; a line for each mistake.
        """
        declared = fields(kind)  # type: ignore[arg-type]
        problems: list[SlipguardError] = []
        with self.noted(problems):
            self.check_keys(f.name for f in declared)
        misspelt = bool(problems)  # perhaps what seems to be missing
        hints = get_type_hints(kind)
        values: dict[str, Any] = {}
        for f in declared:
            if f.name in self:
                with self.noted(problems):
                    values[f.name] = self._convert(f.name, self[f.name], f, hints[f.name])
            elif f.default is MISSING and f.default_factory is MISSING and not misspelt:
                problems.append(self.error(f.name, _missing(f, hints[f.name])))
        self.refuse(problems)
        try:
            return kind(**values)
        except ValueError as err:
            if isinstance(err, SlipguardError):
                raise
            key, colon, problem = str(err).partition(": ")
            if colon and key in hints:
                raise self.error(key, problem) from err
            raise self.error(None, str(err)) from err

    def _convert(self, key: str, value: Any, f: Field[Any], hint: Any) -> Any:
        if get_origin(hint) in (Union, types.UnionType):
            (hint,) = (kind for kind in get_args(hint) if kind is not type(None))
            if value is None or (value == NONE and hint is not str):
                return None
        if is_dataclass(hint):
            inner = value if isinstance(value, Section) else self.section(key)
            return inner.read(hint)  # type: ignore[arg-type]
        if get_origin(hint) is dict:
            inner = self.section(key)
            if f.metadata["choices"]:
                inner.check_keys(f.metadata["choices"])
            # The choices are those of the keys; limits are those of the values.
            values: Field[Any] = field(metadata={**f.metadata, "choices": None})
            return {k: inner._convert(k, v, values, get_args(hint)[1]) for k, v in inner.items()}
        if get_origin(hint) is tuple and get_args(hint)[1:] == (Ellipsis,):
            if not isinstance(value, list | tuple):
                raise self.error(key, f"found {show(value)}, expected a list, e.g. [a, b]")
            return tuple(self._convert(key, v, f, get_args(hint)[0]) for v in value)
        try:
            return check_value(value, f, hint)
        except BadValueError as err:
            raise self.error(key, str(err)) from None


def show(value: Any) -> str:
    """A value found in a file, in one short line."""
    return _repr.repr(value)


class _Repr(reprlib.Repr):
    def repr_Section(self, section: Section, level: int) -> str:
        return self.repr_dict(dict(section), level)


_repr = _Repr()
_repr.maxstring = _repr.maxother = _repr.maxlong = 60
_repr.maxlevel = 2


def suggest(word: str, known: Iterable[str]) -> str:
    """What was meant by an unknown word: ``; did you mean 'x'?`` or ``; known: a, b``."""
    known = list(known)
    near = difflib.get_close_matches(word, known, 1)
    return f"; did you mean {near[0]!r}?" if near else f"; known: {', '.join(known) or 'none'}"


def _slip(key: str, value: Any, left: Any) -> str:
    """What slipped into a key that should not be one; empty where nothing can be said.

    ``left`` is the value before it: of ``{mass_kg: 4,1}`` YAML makes a 4 and a key 1.
    """
    if re.search(r":\S", key):
        return "; after a colon there must be a blank"
    if value is None and key.isdecimal():
        whole = left if _is_number(left, whole=True) else 8
        return f"; if it is the end of a number, write a decimal point: {whole}.{key}"
    return ""


def read_text(
    path: str | os.PathLike[str], what: str, error: type[SlipguardError] = ConfigError
) -> str:
    """The text of a UTF-8 file; ``what`` names it in words.

    Raises
    ------
    error
        The file cannot be read, or which line is not UTF-8.
    """
    try:
        raw = Path(path).read_bytes()
    except (OSError, ValueError) as err:  # ValueError: a NUL character in the path
        reason = err.strerror if isinstance(err, OSError) else err
        raise error(f"{path}: cannot read the {what}: {reason}") from err
    try:
        return raw.decode("utf-8")
    except UnicodeDecodeError as err:
        line = raw.count(b"\n", 0, err.start) + 1
        problem = f"not UTF-8 text: found byte 0x{raw[err.start]:02x}"
        raise error(_located(str(path), line, "", problem)) from err


def load_section(text: str, source: str, error: type[SlipguardError] = ConfigError) -> Section:
    """Parse a YAML text whose top level is a mapping; an empty text is an empty mapping.

    Raises
    ------
    error
        The text is not YAML or not a mapping, or a key is given twice.
    """
    try:
        root = yaml.compose(text, Loader=_YamlLoader)
    except yaml.MarkedYAMLError as err:
        mark = err.problem_mark or err.context_mark
        line = mark.line + 1 if mark else 1
        problem = f"not valid YAML: {err.problem or err.context}"
        glued = _glued(text.splitlines(), line)
        if r"'\t'" in problem:
            problem += "; indent with blanks"
        elif glued is not None:
            line, problem = glued, "not valid YAML: after a colon there must be a blank"
        raise error(_located(source, line, "", problem)) from err
    except yaml.reader.ReaderError as err:
        line = text.count("\n", 0, err.position) + 1
        problem = f"not valid YAML: character U+{ord(text[err.position]):04X} is not allowed"
        raise error(_located(source, line, "", problem)) from err
    except RecursionError as err:
        raise error(_located(source, 1, "", "not valid YAML: nested too deeply")) from err
    except ValueError as err:  # e.g. "\UFFFFFFFF", for which PyYAML lets chr() fail
        raise error(_located(source, 1, "", f"not valid YAML: {err}")) from err
    if root is None:
        return Section(source=source, line=1, error=error)
    value = _NodeReader(source, error).value(root, "")
    if not isinstance(value, Section):
        line = root.start_mark.line + 1
        problem = f"found {show(value)}, expected a section of keys, e.g. {{key: value}}"
        raise error(_located(source, line, "top level", problem))
    return value


def _glued(lines: list[str], line: int) -> int | None:
    """The line of a ``key:value`` without a blank; None where there is none.

    YAML complains about it up to two lines later.
    """
    for number in range(min(line, len(lines)), max(0, line - 3), -1):
        if re.match(r"\s*[A-Za-z_][\w.-]*:[^\s:/]", lines[number - 1]):
            return number
    return None


class _YamlLoader(yaml.SafeLoader):
    """Safe YAML, with ``5e0`` and ``1e-3`` read as numbers.

    YAML 1.1 takes them for text because they hold no point; YAML 1.2 (core schema,
    section 10.3.2 of its specification) and every builder take them for numbers.
    """


class _YamlDumper(yaml.SafeDumper):
    """Safe YAML that ``_YamlLoader`` reads back as it was: the text ``5e0`` gets its quotes."""


for _tool in (_YamlLoader, _YamlDumper):
    _tool.add_implicit_resolver(
        "tag:yaml.org,2002:float",
        re.compile(r"^[-+]?(\.[0-9]+|[0-9]+(\.[0-9]*)?)[eE][-+]?[0-9]+$"),
        list("-+.0123456789"),
    )


def dump_yaml(content: Mapping[str, Any], **options: Any) -> str:
    """YAML that reads back as it was, keys in their order. ``options``: of ``yaml.dump``."""
    return str(yaml.dump(content, Dumper=_YamlDumper, sort_keys=False, **options))


def plain(value: Any) -> Any:
    """A value as ``load_section`` gives it, or a Section, in dicts and lists."""
    if isinstance(value, Mapping):
        return {key: plain(v) for key, v in value.items()}
    return [plain(v) for v in value] if isinstance(value, list | tuple) else value


def without_keys(text: str, keys: Collection[str]) -> str:
    """A YAML text that ``load_section`` takes, less these keys of its top level.

    Every other line stays as it was written, comments too, also those between two keys, which
    belong to the next one. Only a text in flow style is written anew.
    """
    root = yaml.compose(text, Loader=_YamlLoader)
    if not isinstance(root, yaml.MappingNode):  # empty, or comments alone
        return text
    if root.flow_style:
        kept = {k: v for k, v in plain(load_section(text, "")).items() if k not in keys}
        return dump_yaml(kept) if kept else ""
    lines = text.splitlines(keepends=True)
    starts = [key.start_mark.line for key, _ in root.value] + [len(lines)]
    gone: set[int] = set()
    for number, (key, _) in enumerate(root.value):
        if key.value in keys:
            first, last = starts[number], starts[number + 1]
            while last > first + 1 and (not lines[last - 1].strip() or lines[last - 1][0] == "#"):
                last -= 1
            gone |= set(range(first, last))
    return "".join(line for number, line in enumerate(lines) if number not in gone)


class _NodeReader:
    """Nodes of one YAML text as plain values, mappings as Sections."""

    def __init__(self, source: str, error: type[SlipguardError]) -> None:
        self.source = source
        self.error = error
        self.seen = 0  # an alias can make a small text a huge value

    def fail(self, node: yaml.Node, path: str, problem: str) -> SlipguardError:
        return self.error(_located(self.source, node.start_mark.line + 1, path, problem))

    def value(self, node: yaml.Node, path: str) -> Any:
        self.seen += 1
        if self.seen > MAX_NODES:
            raise self.fail(node, path, f"more than {MAX_NODES} values; is an alias repeated?")
        try:
            if isinstance(node, yaml.MappingNode):
                return self.mapping(node, path)
            if isinstance(node, yaml.SequenceNode):
                return [self.value(item, f"{path}[{i}]") for i, item in enumerate(node.value)]
            loader = _YamlLoader("")
            try:
                return loader.construct_object(node, deep=True)
            finally:
                loader.dispose()
        except SlipguardError:
            raise
        except RecursionError as err:
            raise self.fail(node, "", "a value contains itself or is nested too deeply") from err
        except Exception as err:
            # PyYAML lets ValueError, KeyError and others through on malformed dates, long
            # numbers and '!!' tags.
            raise self.fail(node, path, f"cannot read this value: {err}") from err

    def mapping(self, node: yaml.MappingNode, path: str) -> Section:
        repeated = set()
        for key_node, _ in node.value:
            if not isinstance(key_node, yaml.ScalarNode):
                raise self.fail(key_node, path, "expected a plain word as the key")
            if key_node.value in repeated:
                name = f"{path}.{key_node.value}" if path else key_node.value
                raise self.fail(key_node, name, "given twice")
            repeated.add(key_node.value)
        loader = _YamlLoader("")
        loader.flatten_mapping(node)  # "<<" merges; the mapping's own keys come last and win
        loader.dispose()
        node.value = list({key.value: (key, value) for key, value in node.value}.values())
        values = {}
        for key_node, value_node in node.value:
            key = key_node.value
            values[key] = self.value(value_node, f"{path}.{key}" if path else key)
        return Section(
            values,
            source=self.source,
            path=path,
            line=node.start_mark.line + 1,
            lines={key.value: key.start_mark.line + 1 for key, _ in node.value},
            error=self.error,
        )


def _located(source: str, line: int | None, name: str, problem: str) -> str:
    where = f":{line}" if line is not None else ""
    what = f" {name if name.isprintable() and len(name) <= 120 else show(name)}:" if name else ""
    return f"{source}{where}:{what} {' '.join(problem.split())}"


def check_value(value: Any, f: Field[Any], hint: Any) -> Any:
    """``value`` as the type ``hint``, inside the limits that the field ``f`` declares.

    Raises
    ------
    BadValueError
        What was found and what was expected.
    """
    meta = f.metadata
    if get_origin(hint) in (Union, types.UnionType):
        if value is None:
            return None
        (hint,) = (kind for kind in get_args(hint) if kind is not type(None))
    if hint in (float, int):
        if not _is_number(value, whole=hint is int) or not _inside(value, meta):
            expected = _expected(meta, whole=hint is int)
            if isinstance(value, str) and DECIMAL_COMMA.fullmatch(value):
                expected += f"; with a decimal point: {value.replace(',', '.')}"
            elif _is_number(value) and value > 0:
                unit = meta["unit"]
                smaller_units = SMALLER_UNITS.get(unit, {})
                in_them = [
                    f"{value:g} {smaller} would be {value / per:g} {unit}"
                    for smaller, per in smaller_units.items()
                    if _inside(value / per, meta)
                ]
                expected += f"; {', '.join(in_them)}" if in_them else ""
            raise BadValueError(f"found {show(value)}, expected {expected}")
        if _limited(meta) and value and not SMALLEST <= abs(value) <= LARGEST:
            raise BadValueError(
                f"found {show(value)}, expected a number from {SMALLEST:g} to {LARGEST:g} in size"
            )
        return hint(value)
    if hint == settings.Triple:
        good = isinstance(value, list | tuple) and len(value) == 3
        if not good or not all(_is_number(v) and abs(v) <= LARGEST for v in value):
            raise BadValueError(
                f"found {show(value)}, expected three numbers, e.g. [0, 0, 0] {meta['unit']}"
            )
        return tuple(float(v) for v in value)
    if hint is str or get_origin(hint) is Literal:
        choices = meta["choices"]
        if choices is None and not isinstance(value, str):
            raise BadValueError(f'found {show(value)}, expected a text, e.g. "{show(value)}"')
        if choices is not None and value not in choices:
            near = difflib.get_close_matches(str(value), choices, 1)
            meant = f"; did you mean {near[0]!r}?" if near else ""
            raise BadValueError(f"found {show(value)}, expected one of {', '.join(choices)}{meant}")
        return value
    if hint is bool:
        if not isinstance(value, bool):
            raise BadValueError(f"found {show(value)}, expected true or false")
        return value
    raise AssertionError(f"no rule for settings of type {hint}")  # pragma: no cover


def _is_number(value: Any, *, whole: bool = False) -> bool:
    if isinstance(value, bool) or not isinstance(value, int if whole else int | float):
        return False
    try:
        return math.isfinite(value)
    except OverflowError:  # a whole number too large for a float
        return False


def _limited(meta: Mapping[str, Any]) -> bool:
    return any(meta[limit] is not None for limit in ("low", "high", "above"))


def _inside(value: float, meta: Mapping[str, Any]) -> bool:
    return (
        (meta["low"] is None or value >= meta["low"])
        and (meta["high"] is None or value <= meta["high"])
        and (meta["above"] is None or value > meta["above"])
    )


def _missing(f: Field[Any], hint: Any) -> str:
    """That a setting must be given: what is expected, and what it is."""
    meta = f.metadata
    if meta["choices"] is not None:
        return f"missing; expected one of {', '.join(meta['choices'])}: {meta['doc']}"
    if hint in (float, int) and _limited(meta):
        return f"missing; expected {_expected(meta, whole=hint is int)}: {meta['doc']}"
    return f"missing; {meta['doc']}"


def _expected(meta: Mapping[str, Any], *, whole: bool = False) -> str:
    unit = "" if meta["unit"] in ("", "-") else f" {meta['unit']}"
    number = "a whole number" if whole else "a number"
    if meta["low"] is not None and meta["high"] is not None:
        return f"{number} from {meta['low']:g} to {meta['high']:g}{unit}"
    if meta["low"] is not None:
        return f"{number} of at least {meta['low']:g}{unit}"
    if meta["above"] is not None:
        limit = f" up to {meta['high']:g}" if meta["high"] is not None else ""
        return f"{number} above {meta['above']:g}{limit}{unit}"
    return f"{number}{unit}"

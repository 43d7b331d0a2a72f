"""YAML files as trees of text that know their lines.

1. Every scalar stays the text that was typed (a plain YAML load turns serial 0012345 into 5349 and NO into
   False); what it means is decided where its key is known.
2. One reading of a file is possible: duplicate keys, anchors, aliases, merge keys, tags and second documents
   are refused, and so are characters that can't be seen.
3. Whatever stands in the file, the only error is `BadInput`.
"""

from __future__ import annotations

import unicodedata
from collections.abc import Hashable, Iterable, Mapping
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import yaml

from stepwitness.errors import BadInput, Place

LARGEST_FILE_BYTES = 1_000_000
DEEPEST_NESTING = 40


@dataclass(frozen=True)
class Text:
    """A scalar as typed, without its quotes; empty where nothing stands after a key."""

    value: str
    place: Place


@dataclass(frozen=True)
class Items:
    """A list."""

    items: tuple[Node, ...]
    place: Place


@dataclass(frozen=True)
class Section:
    """A mapping. The place of an entry carries the line of its key; `last_line` is where the mapping ends."""

    entries: Mapping[str, Node]
    place: Place
    last_line: int

    def where(self, *path: Hashable) -> Place:
        """The place of the node that `path` (keys and list indices) leads to, or of the last one that exists.

        A key that doesn't exist is named below the section that lacks it.
        """
        return _walk(self, path)[1]

    def node(self, *path: Hashable) -> Node | None:
        """The node that `path` leads to."""
        return _walk(self, path)[0]


Node = Text | Items | Section


def _walk(node: Node, path: Iterable[Hashable]) -> tuple[Node | None, Place]:
    found: Node | None = node
    place = node.place
    for step in path:
        if isinstance(found, Section):
            found = found.entries.get(str(step))
            place = found.place if found else place.below(str(step))
        elif isinstance(found, Items) and isinstance(step, int) and step < len(found.items):
            found = found.items[step]
            place = found.place
        else:
            return None, place
    return found, place


def plain(node: Node) -> Any:
    """The tree as dicts, lists and texts."""
    if isinstance(node, Text):
        return node.value
    if isinstance(node, Items):
        return [plain(item) for item in node.items]
    return {key: plain(value) for key, value in node.entries.items()}


def shape(value: object) -> str:
    """What a node or a plain value is, in words."""
    if isinstance(value, (Section, dict)):
        return "a section of keys"
    if isinstance(value, (Items, list, tuple)):
        return "a list"
    return "a text"


def quoted(text: str) -> str:
    """`text` in quotes for a message of one line, shortened where it is long."""
    return f"'{text}'" if len(text) <= 60 else f"'{text[:57]}...'"


def read_text(path: Path | str) -> str:
    """The text of a file.

    Raises
    ------
    BadInput : for a file that is missing, a folder, unreadable, too large or not UTF-8.
    """
    path, place = Path(path), Place(str(path))
    try:
        if path.is_dir():
            raise BadInput("a folder where a file belongs", place=place)
        with path.open("rb") as file:
            content = file.read(LARGEST_FILE_BYTES + 1)
    except FileNotFoundError:
        raise BadInput("there is no such file", place=place, cure=_near_file(path)) from None
    except (OSError, ValueError) as err:
        reason = getattr(err, "strerror", None) or str(err)
        raise BadInput(f"the file can't be read ({reason})", place=place) from None
    if len(content) > LARGEST_FILE_BYTES:
        raise BadInput(f"a file larger than {LARGEST_FILE_BYTES} bytes isn't a bench or a plan", place=place)
    try:
        return content.decode("utf-8-sig")
    except UnicodeDecodeError as err:
        line = content.count(b"\n", 0, err.start) + 1
        raise BadInput(
            "the file isn't UTF-8 text",
            place=replace(place, line=line),
            found=f"byte 0x{content[err.start]:02x}",
            cure="save it as UTF-8",
        ) from None


def _near_file(path: Path) -> str:
    from stepwitness.errors import near_miss

    try:
        return near_miss(path.name, sorted(item.name for item in path.parent.iterdir()))
    except OSError:
        return ""


def read_yaml(path: Path | str) -> Section:
    """The tree of a YAML file; errors as in `read_text` and `parse_yaml`."""
    return parse_yaml(read_text(path), str(path))


def parse_yaml(text: str, file: str) -> Section:
    """The tree of `text`; `file` is what places say.

    Raises
    ------
    BadInput : for anything but one YAML document whose top is a mapping.
    """
    try:
        loader = _Loader(text, file)
        try:
            root = loader.get_single_node()
        finally:
            loader.dispose()
    except yaml.reader.ReaderError as err:
        line = text.count("\n", 0, err.position) + 1
        raise BadInput(
            "not YAML: a character that text doesn't have",
            place=Place(file, line),
            found=f"U+{ord(err.character):04X}" if isinstance(err.character, str) else f"U+{err.character:04X}",
        ) from None
    except yaml.MarkedYAMLError as err:
        raise _syntax_error(err, file) from None
    except (ValueError, OverflowError, RecursionError):  # escapes beyond Unicode, absurd version numbers
        raise BadInput("not YAML", place=Place(file)) from None
    if root is None or (isinstance(root, yaml.ScalarNode) and not root.value):
        raise BadInput("the file is empty", place=Place(file), allowed="keys and values, such as 'name: rig-1'")
    tree = _node(root, Place(file, _line(root)))
    if not isinstance(tree, Section):
        raise BadInput(
            f"{shape(tree)} where keys and values belong",
            place=tree.place,
            found=quoted(tree.value) if isinstance(tree, Text) else "",
            allowed="lines such as 'name: rig-1'",
        )
    return tree


class _Loader(yaml.SafeLoader):
    """Composes nodes and refuses what would make one text readable in two ways."""

    def __init__(self, text: str, file: str) -> None:
        self._file, self._depth = file, 0
        super().__init__(text)

    def compose_node(self, parent: yaml.Node | None, index: Any) -> yaml.Node | None:
        event = self.peek_event()  # type: ignore[no-untyped-call]
        place = Place(self._file, event.start_mark.line + 1)
        if isinstance(event, yaml.AliasEvent):
            raise BadInput("an alias", place=place, found=quoted(f"*{event.anchor}"), cure="write the value out")
        if getattr(event, "anchor", None) is not None:
            raise BadInput("an anchor", place=place, found=quoted(f"&{event.anchor}"), cure="leave it out")
        tag = getattr(event, "tag", None)
        if tag is not None:
            raise BadInput("a tag", place=place, found=quoted(str(tag)), cure="leave it out; a key knows its kind")
        if self._depth == DEEPEST_NESTING:
            raise BadInput(f"nested more than {DEEPEST_NESTING} deep", place=place)
        self._depth += 1
        try:
            return super().compose_node(parent, index)
        finally:
            self._depth -= 1


def _line(node: yaml.Node) -> int:
    return int(node.start_mark.line) + 1


def _node(node: yaml.Node, place: Place) -> Node:
    if isinstance(node, yaml.ScalarNode):
        return Text(_visible(node.value, place), place)
    if isinstance(node, yaml.SequenceNode):
        return Items(tuple(_node(item, replace(place, line=_line(item))) for item in node.value), place)
    entries: dict[str, Node] = {}
    for key_node, value_node in node.value:
        at = replace(place, line=_line(key_node))
        key = _key(key_node, at)
        if key in entries:
            raise BadInput(
                f"the key '{key}' stands twice",
                place=at.below(key),
                cure=f"keep one; the first is on line {entries[key].place.line}",
            )
        entries[key] = _node(value_node, at.below(key))
    end = node.end_mark
    return Section(entries, place, end.line + (1 if end.column else 0))


def _key(node: yaml.Node, place: Place) -> str:
    if not isinstance(node, yaml.ScalarNode):
        raise BadInput("a key that isn't a word", place=place, cure="close the brace or quote the text")
    key = _visible(node.value, place)
    if key == "<<":
        raise BadInput("a merge key", place=place, found="'<<'", cure="write the keys out")
    if not key:
        raise BadInput("a key without a name", place=place, cure="write 'key: value'")
    return key


def _visible(text: str, place: Place) -> str:
    """`text`, refused where it holds line breaks, control, format or lone surrogate characters."""
    for character in text:
        if unicodedata.category(character)[0] == "C" or character in "\u2028\u2029":
            raise BadInput(
                "a character that can't be seen, or a line break inside a value",
                place=place,
                found=f"U+{ord(character):04X}",
                cure="take it out",
            )
    return text.strip()


_SYNTAX = (
    ("'\\t'", "a tab where spaces belong", "indent with spaces"),
    (
        "mapping values are not allowed",
        "a colon where none may stand",
        "check the indentation or quote the text",
    ),
    ("could not find expected ':'", "a line without 'key: value'", "check this line and the one above"),
    ("sequence entries are not allowed", "a '-' where no list may start", "quote it, or start the list on a new line"),
    ("expected <block end>", "indentation that fits no line above", "line the keys up"),
    (
        "expected ',' or '}'",
        "a brace that isn't closed, or a missing comma",
        "write {key: value, key: value}",
    ),
    ("expected ',' or ']'", "a bracket that isn't closed, or a missing comma", "write [value, value]"),
    ("expected the node content", "a value that isn't there, or a bracket that isn't closed", "write 'key: value'"),
    ("while scanning a quoted scalar", "a quote that isn't closed", "close it"),
    ("expected a single document", "a second document", "keep one; a line '---' starts another"),
)
"""Words of the parser, what they mean to somebody who writes a bench file, and what to do."""


def _syntax_error(err: yaml.MarkedYAMLError, file: str) -> BadInput:
    words = f"{err.context or ''} {err.problem or ''}"
    mark = err.problem_mark or err.context_mark
    place = Place(file, mark.line + 1 if mark else 0)
    for part, problem, cure in _SYNTAX:
        if part in words:
            return BadInput(f"not YAML: {problem}", place=place, cure=cure)
    return BadInput(f"not YAML: {' '.join((err.problem or 'unreadable').split())}", place=place)

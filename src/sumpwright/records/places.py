"""Where in a TOML text each key stands, for complaints that name the line."""

from __future__ import annotations

import tomllib
from collections.abc import Iterator
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from tree_sitter import Node

Path = tuple[str | int, ...]

_KEYS = {"bare_key", "quoted_key", "dotted_key"}


def lines_of(text: str) -> dict[Path, int]:
    """Map the path of every table, key and array item to its line.

    Parameters
    ----------
    text : str
        Valid TOML.

    Returns
    -------
    dict
        Paths such as ``("system", 0, "drain")`` to lines counted from 1.

    Examples
    --------
    >>> lines_of('[[system]]\\nname = "box"\\ndrain = ["4 L", "5 L"]')[("system", 0, "drain", 1)]
    3
    """
    import tree_sitter_toml
    from tree_sitter import Language, Parser

    tree = Parser(Language(tree_sitter_toml.language())).parse(text.encode())
    lines: dict[Path, int] = {}
    counts: dict[Path, int] = {}
    for node in tree.root_node.children:
        if node.type == "pair":
            _pair(node, (), lines)
        elif node.type in ("table", "table_array_element"):
            _table(node, lines, counts)
    return lines


def _table(node: Node, lines: dict[Path, int], counts: dict[Path, int]) -> None:
    header = next((child for child in node.children if child.type in _KEYS), None)
    if header is None:
        return
    line = node.start_point[0] + 1
    path: Path = ()
    names = list(_names(header))
    for name in names[:-1]:
        path = (*path, name)
        lines.setdefault(path, line)
        if path in counts:
            path = (*path, counts[path])
    path = (*path, names[-1])
    lines.setdefault(path, line)
    if node.type == "table_array_element":
        counts[path] = counts.get(path, -1) + 1
        path = (*path, counts[path])
        lines[path] = line
    for child in node.children:
        if child.type == "pair":
            _pair(child, path, lines)


def _pair(node: Node, path: Path, lines: dict[Path, int]) -> None:
    for name in _names(node.children[0]):
        path = (*path, name)
        lines.setdefault(path, node.start_point[0] + 1)
    _value(node.children[-1], path, lines)


def _value(node: Node, path: Path, lines: dict[Path, int]) -> None:
    """Note the items of arrays and inline tables, however deep."""
    waiting = [(node, path)]
    while waiting:
        node, path = waiting.pop()
        lines.setdefault(path, node.start_point[0] + 1)
        if node.type == "inline_table":
            for pair in (child for child in node.children if child.type == "pair"):
                inner = (*path, *_names(pair.children[0]))
                waiting.append((pair.children[-1], inner))
        elif node.type == "array":
            items = [c for c in node.named_children if c.type != "comment"]
            waiting.extend((item, (*path, i)) for i, item in enumerate(items))


def _names(node: Node) -> Iterator[str]:
    """Names of a key in order; a dotted key nests to the left."""
    if node.type == "dotted_key":
        for child in node.children:
            if child.type in _KEYS:
                yield from _names(child)
        return
    text = (node.text or b"").decode(errors="replace")
    if node.type == "quoted_key":
        try:
            text = next(iter(tomllib.loads(f"{text} = 0")))
        except tomllib.TOMLDecodeError:
            text = text.strip("\"'")
    yield text

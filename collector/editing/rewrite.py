"""Puts a change into the text of a site file, and leaves comments, order and spelling of everything else."""

from __future__ import annotations

import tomllib
from collections.abc import MutableMapping
from dataclasses import replace
from typing import Any

import tomlkit
from tomlkit.container import Container
from tomlkit.exceptions import TOMLKitError
from tomlkit.items import AbstractTable

from collector.editing.blocks import Block, blocks_of, joined
from collector.editing.change import Item, SiteChange, Values, changed, plain
from forecaster.domain.errors import ConfigError
from forecaster.texts.catalogue import Said


def rewritten(text: str, change: SiteChange, file: str) -> str:
    """The text of a site file after a change; the same text where its content stays the same.

    text : str — valid TOML; file : str — the name given in errors
    Errors: ConfigError where the file is laid out in a way that only a person can change.
    """
    content = tomllib.loads(text)
    wanted = changed(content, change)
    if wanted == content:
        return text
    try:
        blocks = blocks_of(text)
        for name, values in change.tables.items():
            blocks = _without(_with_table(blocks, name, values), name, values)
        for name, items in change.lists.items():
            blocks = _with_list(blocks, name, items, wanted.get(name, []))
        made = joined(blocks)
        meant = tomllib.loads(made) == wanted
    except (TOMLKitError, tomllib.TOMLDecodeError, KeyError, IndexError, AttributeError, TypeError) as error:
        raise _by_hand(file) from error
    if not meant:
        raise _by_hand(file)
    return made


def _by_hand(file: str) -> ConfigError:
    return ConfigError(file, "", Said("edit.laid_out"), Said("edit.laid_out_mend"))


def _with_table(blocks: list[Block], name: str, values: Values) -> list[Block]:
    """The blocks after a change of one section, which is added where it is missing.

    A list of tables within it, `[[name.key]]`, that is changed is written as one value from then on.
    """
    if not values:
        return blocks
    lists = {f"{name}.{key}" for key in values} if name else set()
    blocks = [block for block in blocks if not (block.listed and block.name in lists)]
    place = next((n for n, block in enumerate(blocks) if block.name == name and not block.listed), None)
    if place is not None:
        return _with_edited(blocks, place, name.split(".") if name else [], values)
    parent, _, key = name.rpartition(".")
    above = next((n for n, block in enumerate(blocks) if block.name == parent and not block.listed), None)
    if above is not None and key in _inner(tomllib.loads(blocks[above].text), parent):
        return _with_edited(blocks, above, name.split("."), values)
    filled = {field: value for field, value in values.items() if value is not None}
    if not filled:
        return blocks
    last = max((n for n, block in enumerate(blocks) if block.name.startswith(f"{parent}.")), default=above)
    after = len(blocks) if not parent or last is None else last + 1
    return [*blocks[:after], Block(name, False, "", _fresh(f"[{name}]", filled)), *blocks[after:]]


def _without(blocks: list[Block], name: str, values: Values) -> list[Block]:
    """The blocks without those sections that a change of the section above them removes."""
    gone = {f"{name}.{key}" if name else key for key, value in values.items() if value is None}
    return [block for block in blocks if block.listed or block.name not in gone]


def _with_edited(blocks: list[Block], place: int, path: list[str], values: Values) -> list[Block]:
    made = _edited(blocks[place], path, values)
    return [*blocks[:place], *([made] if made is not None else []), *blocks[place + 1 :]]


def _inner(content: dict[str, Any], name: str) -> dict[str, Any]:
    for part in name.split(".") if name else []:
        content = content[part]
    return content


def _edited(block: Block, path: list[str], values: Values) -> Block | None:
    """A block with changed values; None where only its header would be left. path : names from the top to the table"""
    document = tomlkit.parse(block.body)
    table: MutableMapping[str, Any] = document
    for part in path:
        table = table[part]
    _set(table, values)
    if block.name and not table and ".".join(path) == block.name:
        return None
    return replace(block, body=document.as_string())


def _set(table: MutableMapping[str, Any], values: Values) -> None:
    """Change values of a table; a new key is put after its last key, before the comments at its end."""
    body = _body(table)
    tail = []
    while body and body[-1][0] is None:
        tail.append(body.pop())
    for key, value in values.items():
        if value is None:
            table.pop(key, None)
        else:
            table[key] = _inline(value) if isinstance(value, list) else plain(value)
    body += reversed(tail)


def _body(table: MutableMapping[str, Any]) -> list[Any]:
    """The entries of a table as the library holds them; those without a key are comments and empty lines."""
    if isinstance(table, AbstractTable):
        return table.value.body
    return table.body if isinstance(table, Container) else []


def _fresh(header: str, values: Values) -> str:
    document = tomlkit.document()
    for key, value in values.items():
        document[key] = _inline(value)
    return f"{header}\n{document.as_string()}"


def _inline(value: Any) -> Any:
    if isinstance(value, list) and any(isinstance(inner, dict) for inner in value):
        rows = tomlkit.array()
        rows.extend([_inline(inner) for inner in value])
        return rows.multiline(True)
    if not isinstance(value, dict):
        return plain(value)
    made = tomlkit.inline_table()
    made.update({key: plain(inner) for key, inner in value.items()})
    return made


def _with_list(blocks: list[Block], name: str, items: tuple[Item, ...], wanted: list[Values]) -> list[Block]:
    """The blocks after a change of a list. The comments above its first element stay above whichever is then the first.

    wanted : the content of all elements after the change: a list that is written as one value becomes sections
    """
    places = [n for n, block in enumerate(blocks) if block.name == name and block.listed]
    if not places:
        root = _edited(blocks[0], [], {name: None})
        return [root or blocks[0], *blocks[1:], *(_new(name, values) for values in wanted)]
    before = [blocks[n] for n in places]
    made = [_new(name, item.values) if item.origin is None else _again(before[item.origin], item) for item in items]
    if made:
        first = before[0].lead
        made = [replace(block, lead="") if item.origin == 0 else block for block, item in zip(made, items, strict=True)]
        made[0] = replace(made[0], lead=first + made[0].lead)
    kept = [block for n, block in enumerate(blocks) if n not in places]
    return [*kept[: places[0]], *made, *kept[places[0] :]]


def _new(name: str, values: Values) -> Block:
    filled = {key: value for key, value in values.items() if value is not None}
    return Block(name, True, "", _fresh(f"[[{name}]]", filled))


def _again(block: Block, item: Item) -> Block:
    if not item.values:
        return block
    document = tomlkit.parse(block.body)
    rows: Any = document[block.name]
    _set(rows[0], item.values)
    return replace(block, body=document.as_string())

"""Files as trees of text: what is kept, what is refused, and that nothing but `BadInput` comes out."""
# ruff: noqa: E501  # the messages are the specification, each in one line

from __future__ import annotations

from pathlib import Path

import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st

from stepwitness.errors import BadInput, Place
from stepwitness.files import (
    DEEPEST_NESTING,
    LARGEST_FILE_BYTES,
    Items,
    Text,
    parse_yaml,
    plain,
    quoted,
    read_text,
    read_yaml,
)


def refusal(text: str) -> str:
    with pytest.raises(BadInput) as caught:
        parse_yaml(text, "rig.yaml")
    message = str(caught.value)
    assert "\n" not in message
    return message


class TestScalars:
    @pytest.mark.parametrize(
        "typed",
        [
            "0012345",
            "NO",
            "yes",
            "on",
            "5:1",
            "1_000",
            "0x1F",
            "1e3",
            "2027-03-01",
            "null",
            "~",
            "+",
            ".5",
            "=",
            "12:30:00",
        ],
    )
    def test_stay_the_text_that_was_typed(self, typed: str) -> None:
        assert plain(parse_yaml(f"serial: {typed}\n", "rig.yaml")) == {"serial": typed}

    def test_keys_stay_text_too(self) -> None:
        assert plain(parse_yaml("1: a\nno: b\n", "rig.yaml")) == {"1": "a", "no": "b"}

    def test_quotes_are_taken_off(self) -> None:
        tree = parse_yaml("resource: \"TCPIP::192.0.2.7::hislip0::INSTR\"\nrange: '65 mm'\n", "rig.yaml")
        assert plain(tree) == {"resource": "TCPIP::192.0.2.7::hislip0::INSTR", "range": "65 mm"}

    def test_nothing_after_a_key_is_an_empty_text(self) -> None:
        assert plain(parse_yaml("stand_in:\n", "rig.yaml")) == {"stand_in": ""}

    def test_units_in_any_script_and_no_break_spaces_are_kept(self) -> None:
        assert plain(parse_yaml("U: 1.2\u00a0µm\n", "rig.yaml")) == {"U": "1.2\u00a0µm"}


class TestPlaces:
    TEXT = "name: rig\naxis:\n  stroke: 60 mm\ndrags:\n  - 1 N\n  - 2 N\nhands: [{from: 1 s},\n  {from: 2 s}]\n"

    def test_each_node_knows_its_line_and_key(self) -> None:
        tree = parse_yaml(self.TEXT, "rig.yaml")
        assert tree.where("name") == Place("rig.yaml", 1, "name")
        assert tree.where("axis") == Place("rig.yaml", 2, "axis")
        assert tree.where("axis", "stroke") == Place("rig.yaml", 3, "axis.stroke")
        assert tree.where("drags", 1) == Place("rig.yaml", 6, "drags")
        assert tree.where("hands", 1, "from") == Place("rig.yaml", 8, "hands.from")

    def test_a_key_that_is_not_there_is_named_below_its_section(self) -> None:
        tree = parse_yaml(self.TEXT, "rig.yaml")
        assert tree.where("axis", "lead") == Place("rig.yaml", 2, "axis.lead")
        assert tree.where("name", "deeper") == Place("rig.yaml", 1, "name")
        assert tree.where("drags", 7) == Place("rig.yaml", 4, "drags")
        assert tree.node("axis", "lead") is None
        assert tree.node("drags", 0) == Text("1 N", Place("rig.yaml", 5, "drags"))

    @pytest.mark.parametrize(
        ("text", "last"), [("a: 1\nb: 2\n", 2), ("a: 1\nb:\n  c: 3\n", 3), ("{a: 1,\n b: 2}\n", 2), ("a: 1", 1)]
    )
    def test_a_section_knows_where_it_ends(self, text: str, last: int) -> None:
        assert parse_yaml(text, "rig.yaml").last_line == last

    def test_windows_line_ends_count_as_one_line(self) -> None:
        assert parse_yaml("a: 1\r\nb: 2\r\n", "rig.yaml").where("b").line == 2


class TestRefusals:
    def test_duplicate_key(self) -> None:
        assert refusal("name: a\naxis: {}\nname: b\n") == (
            "rig.yaml:3 name: the key 'name' stands twice; keep one; the first is on line 1"
        )

    def test_duplicate_key_inside_braces(self) -> None:
        assert refusal("axis: {lead: 1 mm, lead: 2 mm}") == (
            "rig.yaml:1 axis.lead: the key 'lead' stands twice; keep one; the first is on line 1"
        )

    @pytest.mark.parametrize("again", ['"name": b', "'name': b", "? name\n: b", "name : b"])
    def test_a_key_written_another_way_is_the_same_key(self, again: str) -> None:
        assert "the key 'name' stands twice" in refusal(f"name: a\n{again}\n")

    def test_alias_and_anchor(self) -> None:
        assert refusal("a: *x\n") == "rig.yaml:1: an alias; found '*x'; write the value out"
        assert refusal("a: 1\nb: &x 2\n") == "rig.yaml:2: an anchor; found '&x'; leave it out"

    def test_merge_key(self) -> None:
        assert refusal("a: 1\n<<: {b: 2}\n") == "rig.yaml:2: a merge key; found '<<'; write the keys out"

    @pytest.mark.parametrize("tag", ["!!int 5", "!!python/object:os.system x", "!own {a: 1}", "! x", "!!map {a: 1}"])
    def test_tag(self, tag: str) -> None:
        assert refusal(f"name: x\na: {tag}\n").startswith("rig.yaml:2: a tag; found '")

    def test_second_document(self) -> None:
        assert refusal("a: 1\n---\nb: 2\n") == (
            "rig.yaml:2: not YAML: a second document; keep one; a line '---' starts another"
        )

    @pytest.mark.parametrize("text", ["", "\n\n", "# nothing but a remark\n", "---\n", "\ufeff"])
    def test_empty(self, text: str) -> None:
        assert "the file is empty" in refusal(text)

    def test_a_list_at_the_top(self) -> None:
        assert refusal("- a\n- b\n") == (
            "rig.yaml:1: a list where keys and values belong; allowed: lines such as 'name: rig-1'"
        )

    def test_prose(self) -> None:
        assert refusal("Dear colleague\n") == (
            "rig.yaml:1: a text where keys and values belong; found 'Dear colleague'; allowed: lines such as 'name: rig-1'"
        )

    def test_a_tab(self) -> None:
        assert refusal("axis:\n\tlead: 2 mm\n") == (
            "rig.yaml:2: not YAML: a tab where spaces belong; indent with spaces"
        )

    def test_indentation(self) -> None:
        assert refusal("axis:\n    lead: 2 mm\n  stroke: 60 mm\n") == (
            "rig.yaml:3: not YAML: indentation that fits no line above; line the keys up"
        )

    def test_a_colon_too_many(self) -> None:
        assert refusal("name: a: b\n") == (
            "rig.yaml:1: not YAML: a colon where none may stand; check the indentation or quote the text"
        )

    def test_an_open_brace(self) -> None:
        assert refusal("axis: {lead: 2 mm\nname: x\n").startswith("rig.yaml:2: not YAML: a brace that isn't closed")

    def test_an_open_bracket(self) -> None:
        assert refusal("drags: [1 N\nname: x\n").startswith("rig.yaml:2: not YAML: a bracket that isn't closed")

    def test_a_file_that_ends_inside_a_bracket(self) -> None:
        assert refusal("drags: [") == (
            "rig.yaml:1: not YAML: a value that isn't there, or a bracket that isn't closed; write 'key: value'"
        )

    def test_an_open_quote(self) -> None:
        assert "a quote that isn't closed" in refusal('name: "x\n')

    @pytest.mark.parametrize("text", ["? [a]\n: 1\n", "? {a: 1}\n: 1\n"])
    def test_a_key_that_is_no_word(self, text: str) -> None:
        assert "a key that isn't a word" in refusal(text)

    @pytest.mark.parametrize("text", ["'': 1\n", "?\n: 1\n"])
    def test_a_key_without_a_name(self, text: str) -> None:
        assert "a key without a name" in refusal(text)

    @pytest.mark.parametrize(
        ("text", "code"),
        [
            ('a: "x\\u200by"', "U+200B"),
            ('a: "x\\ny"', "U+000A"),
            ('a: "\\e[31m"', "U+001B"),
            ('a: "\\ud800"', "U+D800"),
            ("a: |\n  one\n  two\n", "U+000A"),
            ("a: x\u202ey", "U+202E"),
            ('"a\\0": x', "U+0000"),
        ],
    )
    def test_characters_that_cannot_be_seen(self, text: str, code: str) -> None:
        assert f"found {code}" in refusal(text)

    def test_characters_that_text_does_not_have(self) -> None:
        assert refusal("a: 1\nb: \x00\n") == ("rig.yaml:2: not YAML: a character that text doesn't have; found U+0000")

    @pytest.mark.parametrize("opening", ["[", "{a: ", "- "])
    def test_nesting_without_end(self, opening: str) -> None:
        assert "nested more than" in refusal("a:\n " + opening * (DEEPEST_NESTING + 5))

    def test_an_escape_beyond_unicode(self) -> None:
        assert refusal('a: "\\UFFFFFFFF"\n') == "rig.yaml: not YAML"


class TestFilesOnDisk:
    def test_reads_utf_8_with_and_without_its_mark(self, tmp_path: Path) -> None:
        path = tmp_path / "rig.yaml"
        path.write_bytes("﻿U: 1 µm\r\n".encode())
        assert read_text(path) == "U: 1 µm\r\n"
        assert plain(read_yaml(path)) == {"U": "1 µm"}
        assert read_yaml(path).where("U").file == str(path)

    def test_missing_with_the_near_miss(self, tmp_path: Path) -> None:
        (tmp_path / "nightly.plan.yaml").touch()
        with pytest.raises(BadInput) as caught:
            read_text(tmp_path / "nightli.plan.yaml")
        assert str(caught.value) == (
            f"{tmp_path}/nightli.plan.yaml: there is no such file; did you mean 'nightly.plan.yaml'?"
        )

    def test_missing_in_a_missing_folder(self, tmp_path: Path) -> None:
        with pytest.raises(BadInput, match=r"there is no such file$"):
            read_text(tmp_path / "no" / "rig.yaml")

    def test_a_folder(self, tmp_path: Path) -> None:
        with pytest.raises(BadInput) as caught:
            read_text(tmp_path)
        assert str(caught.value) == f"{tmp_path}: a folder where a file belongs"

    def test_below_a_file(self, tmp_path: Path) -> None:
        (tmp_path / "rig.yaml").touch()
        with pytest.raises(BadInput, match="can't be read"):
            read_text(tmp_path / "rig.yaml" / "plan.yaml")

    @pytest.mark.parametrize("name", ["a\0b", "x" * 5000])
    def test_a_name_that_no_file_can_have(self, name: str) -> None:
        with pytest.raises(BadInput, match="can't be read"):
            read_text(name)

    @pytest.mark.parametrize(
        ("content", "line", "byte"),
        [(b"a: 1\nb: \xb5m\n", 2, "0xb5"), ("a: 1\n".encode("utf-16"), 1, "0xff"), (b"\x89PNG\r\n\x1a\n", 1, "0x89")],
    )
    def test_not_utf_8(self, tmp_path: Path, content: bytes, line: int, byte: str) -> None:
        path = tmp_path / "rig.yaml"
        path.write_bytes(content)
        with pytest.raises(BadInput) as caught:
            read_text(path)
        assert str(caught.value) == f"{path}:{line}: the file isn't UTF-8 text; found byte {byte}; save it as UTF-8"

    def test_binary_that_happens_to_be_utf_8(self, tmp_path: Path) -> None:
        path = tmp_path / "rig.yaml"
        path.write_bytes(bytes(range(32)))
        with pytest.raises(BadInput, match="not YAML: a character that text doesn't have"):
            read_yaml(path)

    def test_too_large(self, tmp_path: Path) -> None:
        path = tmp_path / "rig.yaml"
        path.write_bytes(b"#" * LARGEST_FILE_BYTES)
        assert len(read_text(path)) == LARGEST_FILE_BYTES
        path.write_bytes(b"#" * (LARGEST_FILE_BYTES + 1))
        with pytest.raises(BadInput, match="larger than 1000000 bytes"):
            read_text(path)


PIECES_OF_YAML = """a name : - { } [ ] , ' " &x *x !t | > # ? --- ... %YAML << \\ \\u00 \\x 2mm @ ` ~"""
YAML_PIECES = st.sampled_from([*PIECES_OF_YAML.split(), ": ", "- ", "\n", "  ", "\t", "\ufeff", "\x85", "\u2028"])


def tries(text: str) -> None:
    try:
        told = str(plain(parse_yaml(text, "rig.yaml")))
    except BadInput as err:
        told = str(err)
    assert "\n" not in told
    told.encode()


@settings(max_examples=300)
@given(st.text())
@example('a: "\\U00110000"')
@example("%YAML 1." + "9" * 5000 + "\n---\na: 1")
@example("{" * 3000)
@example("- " * 3000)
@example("a: " + "[" * 200 + "]" * 200)
@example("!" * 10 + "<tag")
@example("%TAG ! tag:x,2000:\n--- !a\nb: 1")
def test_any_text_gives_a_tree_or_a_refusal(text: str) -> None:
    tries(text)


@settings(max_examples=400)
@given(st.lists(YAML_PIECES, max_size=30).map("".join))
def test_any_heap_of_yaml_pieces_gives_a_tree_or_a_refusal(text: str) -> None:
    tries(text)


@settings(max_examples=150)
@given(content=st.binary(max_size=200))
def test_any_bytes_on_disk_give_a_tree_or_a_refusal(tmp_path_factory: pytest.TempPathFactory, content: bytes) -> None:
    path = tmp_path_factory.getbasetemp() / "any.yaml"
    path.write_bytes(content)
    try:
        told = str(read_yaml(path).place)
    except BadInput as err:
        told = str(err)
    assert told.startswith(str(path))
    assert "\n" not in told


VISIBLE = st.text(st.characters(categories=["L", "N", "P", "S"]), min_size=1, max_size=12).filter(
    lambda text: text != "<<"
)
TREES = st.recursive(
    VISIBLE, lambda inner: st.lists(inner, max_size=3) | st.dictionaries(VISIBLE, inner, max_size=3), max_leaves=8
)


def as_yaml(value: object) -> str:
    """Flow style with every text in double quotes: a writer that shares nothing with the reader."""
    if isinstance(value, dict):
        return "{" + ", ".join(f"{as_yaml(key)}: {as_yaml(item)}" for key, item in value.items()) + "}"
    if isinstance(value, list):
        return "[" + ", ".join(as_yaml(item) for item in value) + "]"
    escaped = str(value).replace("\\", "\\\\").replace('"', '\\"')
    return f'"{escaped}"'


@settings(max_examples=150)
@given(st.dictionaries(VISIBLE, TREES, min_size=1, max_size=4))
def test_what_was_written_is_what_is_read(tree: dict[str, object]) -> None:
    assert plain(parse_yaml(as_yaml(tree), "rig.yaml")) == tree


def test_items_are_nodes() -> None:
    drags = parse_yaml("drags: [1 N]", "rig.yaml").node("drags")
    assert isinstance(drags, Items)
    assert drags.items[0] == Text("1 N", Place("rig.yaml", 1, "drags"))


def test_long_texts_are_shortened_in_messages() -> None:
    assert quoted("x" * 60) == "'" + "x" * 60 + "'"
    assert quoted("x" * 61) == "'" + "x" * 57 + "...'"

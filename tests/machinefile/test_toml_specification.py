"""Places in the examples of the TOML specification, and in CPython's own test documents.

The examples are those of "TOML: Tom's Obvious Minimal Language v1.0.0", 2021, toml.io, each under the name of its
section. They are quoted from memory; where the wording is not the published one the syntax is.
"""

import importlib.util
from pathlib import Path

import pytest

from simkit.machinefile.tomlfile import parse_toml

COMMENT = (
    """\
# This is a full-line comment
key = "value"  # This is a comment at the end of a line
another = "# This is not a comment"
""",
    {("key",): (2, 1), ("another",): (3, 1)},
)

BARE_KEYS = (
    """\
key = "value"
bare_key = "value"
bare-key = "value"
1234 = "value"
""",
    {("key",): (1, 1), ("bare_key",): (2, 1), ("bare-key",): (3, 1), ("1234",): (4, 1)},
)

QUOTED_KEYS = (
    """\
"127.0.0.1" = "value"
"character encoding" = "value"
"ʎǝʞ" = "value"
'key2' = "value"
'quoted "value"' = "value"
"" = "blank"     # VALID but discouraged
""",
    {
        ("127.0.0.1",): (1, 1),
        ("character encoding",): (2, 1),
        ("ʎǝʞ",): (3, 1),
        ("key2",): (4, 1),
        ('quoted "value"',): (5, 1),
        ("",): (6, 1),
    },
)

DOTTED_KEYS = (
    """\
name = "Orange"
physical.color = "orange"
physical.shape = "round"
site."google.com" = true
fruit.name = "banana"     # this is best practice
fruit. color = "yellow"    # same as fruit.color
fruit . flavor = "banana"   # same as fruit.flavor
3.14159 = "pi"
""",
    {
        ("physical",): (2, 1),
        ("physical", "color"): (2, 10),
        ("physical", "shape"): (3, 10),
        ("site", "google.com"): (4, 6),
        ("fruit", "color"): (6, 8),
        ("fruit", "flavor"): (7, 9),
        ("3",): (8, 1),
        ("3", "14159"): (8, 3),
    },
)

MULTILINE_BASIC = (
    '''\
str1 = """
Roses are red
Violets are blue"""
str2 = """\\
       The quick brown \\
       fox jumps over \\
       the lazy dog.\\
       """
str4 = """Here are two quotation marks: "". Simple enough."""
str5 = """Here are three quotation marks: ""\\"."""
str7 = """"This," she said, "is just a pointless statement.""""
end = 0
''',
    {
        ("str1",): (1, 1),
        ("str2",): (4, 1),
        ("str4",): (9, 1),
        ("str5",): (10, 1),
        ("str7",): (11, 1),
        ("end",): (12, 1),
    },
)

LITERAL = (
    """\
winpath  = 'C:\\Users\\nodejs\\templates'
regex2 = '''I [dw]on't need \\d{2} apples'''
lines  = '''
The first newline is
trimmed in raw strings.
   All other whitespace
   is preserved.
'''
quot15 = '''Here are fifteen quotation marks: \"\"\"\"\"\"\"\"\"\"\"\"\"\"\"'''
str = ''''That,' she said, 'is still pointless.''''
""",
    {("winpath",): (1, 1), ("regex2",): (2, 1), ("lines",): (3, 1), ("quot15",): (9, 1), ("str",): (10, 1)},
)

DATE_WITH_A_SPACE = (
    "odt4 = 1979-05-27 07:32:00Z\nlt = [ 07:32:00, 1979-05-27 00:32:00.999999 ]\n",
    {("odt4",): (1, 1), ("lt",): (2, 1), ("lt", 0): (2, 8), ("lt", 1): (2, 18)},
)

ARRAY = (
    """\
integers = [ 1, 2, 3 ]
nested_mixed_array = [ [ 1, 2 ], ["a", "b", "c"] ]
contributors = [
  "Foo Bar <foo@example.com>",
  { name = "Baz Qux", email = "bazqux@example.com", url = "https://example.com/bazqux" }
]
integers3 = [
  1,
  2, # this is ok
]
""",
    {
        ("integers", 2): (1, 20),
        ("nested_mixed_array", 1): (2, 34),
        ("nested_mixed_array", 1, 2): (2, 45),
        ("contributors", 1): (5, 3),
        ("contributors", 1, "email"): (5, 23),
        ("integers3", 1): (9, 3),
    },
)

TABLE = (
    """\
name = "Fido"
[table-1]
key1 = "some string"
[dog."tater.man"]
type.name = "pug"
[ d.e.f ]
[ g .  h  . i ]
[ j . "ʞ" . 'l' ]
""",
    {
        ("name",): (1, 1),
        ("table-1", "key1"): (3, 1),
        ("dog", "tater.man"): (4, 6),
        ("dog", "tater.man", "type", "name"): (5, 6),
        ("d", "e", "f"): (6, 7),
        ("g", "h"): (7, 8),
        ("j", "ʞ", "l"): (8, 13),
    },
)

SUPER_TABLE = (
    """\
# [x] you
# [x.y] don't
[x.y.z.w] # for this to work

[x] # defining a super-table afterward is ok
key = 1
""",
    {("x",): (3, 2), ("x", "y"): (3, 4), ("x", "y", "z", "w"): (3, 8), ("x", "key"): (6, 1)},
)

INLINE_TABLE = (
    """\
name = { first = "Tom", last = "Preston-Werner" }
point = { x = 1, y = 2 }
animal = { type.name = "pug" }
""",
    {
        ("name", "last"): (1, 25),
        ("point", "y"): (2, 18),
        ("animal", "type"): (3, 12),
        ("animal", "type", "name"): (3, 17),
    },
)

ARRAY_OF_TABLES = (
    """\
[[products]]
name = "Hammer"

[[products]]  # empty table within the array

[[products]]
name = "Nail"
color = "gray"
""",
    {("products",): (1, 3), ("products", 0): (1, 1), ("products", 1): (4, 1), ("products", 2, "color"): (8, 1)},
)

NESTED_ARRAYS_OF_TABLES = (
    """\
[[fruits]]
name = "apple"

[fruits.physical]  # subtable
color = "red"

[[fruits.varieties]]  # nested array of tables
name = "red delicious"

[[fruits.varieties]]
name = "granny smith"


[[fruits]]
name = "banana"

[[fruits.varieties]]
name = "plantain"
""",
    {
        ("fruits",): (1, 3),
        ("fruits", 0, "physical"): (4, 9),
        ("fruits", 0, "varieties"): (7, 10),
        ("fruits", 0, "varieties", 0): (7, 1),
        ("fruits", 0, "varieties", 1): (10, 1),
        ("fruits", 0, "varieties", 1, "name"): (11, 1),
        ("fruits", 1): (14, 1),
        ("fruits", 1, "varieties"): (17, 10),
        ("fruits", 1, "varieties", 0, "name"): (18, 1),
    },
)

INLINE_ARRAY_OF_TABLES = (
    """\
points = [ { x = 1, y = 2, z = 3 },
           { x = 7, y = 8, z = 9 },
           { x = 2, y = 4, z = 8 } ]
""",
    {("points", 0, "z"): (1, 28), ("points", 1): (2, 12), ("points", 2, "y"): (3, 21)},
)

EXAMPLES = {
    "Comment": COMMENT,
    "Keys, bare": BARE_KEYS,
    "Keys, quoted": QUOTED_KEYS,
    "Keys, dotted": DOTTED_KEYS,
    "String, multi-line basic": MULTILINE_BASIC,
    "String, literal": LITERAL,
    "Offset Date-Time": DATE_WITH_A_SPACE,
    "Array": ARRAY,
    "Table": TABLE,
    "Table, super-table afterward": SUPER_TABLE,
    "Inline Table": INLINE_TABLE,
    "Array of Tables": ARRAY_OF_TABLES,
    "Array of Tables, nested": NESTED_ARRAYS_OF_TABLES,
    "Array of Tables, inline": INLINE_ARRAY_OF_TABLES,
}


@pytest.mark.parametrize("section", EXAMPLES)
def test_examples_of_the_specification_have_their_places(section, check_against_tomllib):
    text, places = EXAMPLES[section]
    check_against_tomllib(text)
    found = parse_toml(text, "spec.toml").places
    assert {path: found.at(*path) for path in places} == places


def cpython_documents():
    """Documents of CPython's own tests of `tomllib` (Lib/test/test_tomllib/data/valid), where they are installed."""
    try:
        found = importlib.util.find_spec("test.test_tomllib")
    except ModuleNotFoundError:  # a Python without its tests
        found = None
    return [] if found is None else sorted((Path(found.origin).parent / "data" / "valid").rglob("*.toml"))


@pytest.mark.skipif(not cpython_documents(), reason="this Python came without test/test_tomllib/data/valid")
def test_valid_documents_of_cpythons_tests_have_all_their_places(check_against_tomllib):
    for path in cpython_documents():
        check_against_tomllib(path.read_bytes().decode())

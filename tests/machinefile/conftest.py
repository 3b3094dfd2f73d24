"""What the tests of TOML places share: the comparison of a text's places with what `tomllib` finds in it."""

import re
import tomllib

import pytest

from simkit.machinefile.tomlfile import parse_toml

BARE = re.compile(r"[A-Za-z0-9_-]+")


def paths(value, path=()):
    """Paths of all keys and elements of what `tomllib` gives."""
    if isinstance(value, dict | list):
        for step, inner in value.items() if isinstance(value, dict) else enumerate(value):
            yield (*path, step)
            yield from paths(inner, (*path, step))


def begins_with_key(text, key):
    """Whether a text begins with the key, bare or in quotes."""
    if text[:1] not in "\"'":
        return BARE.match(text)[0] == key
    for end in [found.end() for found in re.finditer(text[0], text.split("\n")[0])][1:]:
        try:
            return tomllib.loads(f"key = {text[:end]}")["key"] == key
        except tomllib.TOMLDecodeError:
            continue  # the quote was an escaped one
    return False


def check(text):
    """Every path of the data has a place that begins with what it names, and there is no other place."""
    text = text.replace("\r\n", "\n")
    lines = text.split("\n")
    places = parse_toml(text, "some.toml").places
    assert sorted(places, key=repr) == sorted(paths(tomllib.loads(text)), key=repr)
    for path in places:
        line, column = places.at(*path)
        found = "\n".join([lines[line - 1][column - 1 :], *lines[line:]])
        if isinstance(path[-1], str):
            assert begins_with_key(found, path[-1]), (path, found)
        else:
            assert re.match(r"\[\[|[\[{\"'0-9+\-tfin]", found), (path, found)


@pytest.fixture(scope="session")
def check_against_tomllib():
    """Function that compares the places of a text with what `tomllib` finds in it."""
    return check

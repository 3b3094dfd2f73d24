"""Names of files in a kit: what the machine names lies to it as it does here, and no more is said of this computer.

Paths in machine files count from the file that says them, so these files keep their places to one another. Where one
of them lies outside of the project, the folders between the two would say where on this computer the project lies, and
often who works there: they are given other names, of which a path that leads up through them knows nothing.
"""

from __future__ import annotations

import os
from collections.abc import Collection, Mapping, Sequence
from contextlib import suppress
from pathlib import Path

from simkit.contract.errors import Errors, SimkitError
from simkit.kit.taken import Taken
from simkit.kitfile.names import caseless, problem_of, same_for_some

PROJECT, ABOVE = "project", "above"
"""What the project's folder is called where it is no more than one of several, and those above it."""


def names_in_kit(taken: Sequence[Taken], project: Path) -> dict[Path, str]:
    """The name of each file.

    Args:
        taken: each file once, one of them the machine file.
        project: folder of the machine's project.

    Raises:
        SimkitError: they lie on several drives, or a name cannot be in a kit; SeveralErrors for several.
    """
    project = project.resolve()
    found_here = [one.path for one in taken if not one.place]
    try:
        root = Path(os.path.commonpath([path.parent for path in found_here]))
    except ValueError as error:
        raise SimkitError(
            "The files of the machine lie on several drives, so no path leads from one to the other.",
            remedy="Put them on one drive, and name them in the machine file by paths that count from it.",
        ) from error
    names = {path: path.relative_to(root) for path in found_here}
    if root != project and project.is_relative_to(root):
        inside = project.relative_to(root)
        beside = {name.parts[0] for path, name in names.items() if not path.is_relative_to(project)}
        instead = Path(*[free_name(ABOVE, beside)] * (len(inside.parts) - 1), free_name(PROJECT, beside))
        names = {
            path: instead / name.relative_to(inside) if path.is_relative_to(project) else name
            for path, name in names.items()
        }
    told = {path: name.as_posix() for path, name in names.items()}
    for one in taken:
        if one.place:
            told[one.path] = free_name(one.place, told.values())
    _check(told)
    return told


def tell_of_here(contents: Mapping[str, bytes], project: Path) -> list[str]:
    """Names of files in which stands where the project or the user's home lies, as assemblers write it."""
    here = [project.resolve()]
    with suppress(RuntimeError):  # nobody knows where it is
        here.append(Path.home().resolve())
    words = [os.fsencode(path) for path in here if len(path.parts) > 2]
    return sorted(name for name, content in contents.items() if any(word in content for word in words))


def free_name(name: str, taken: Collection[str]) -> str:
    """A name that no file has yet, also where capitals are not told apart."""
    known, number, found = {caseless(one) for one in taken}, 1, name
    path = Path(name)
    while caseless(found) in known:
        number += 1
        found = path.with_name(f"{path.stem}-{number}{path.suffix}").as_posix()
    return found


def _check(names: dict[Path, str]) -> None:
    errors = Errors()
    for path, name in names.items():
        problem = problem_of(name)
        if problem is not None:
            errors.add(SimkitError(f"{path} cannot be in a kit: {problem}.", remedy="Rename it."))
    alike = same_for_some(names.values())
    if alike is not None:
        errors.add(SimkitError(f"{alike[0]} and {alike[1]} are one name for some systems.", remedy="Rename one."))
    errors.raise_any()

"""The contributor guide's page on writing a card, followed to the letter in a fresh environment without network."""

import os
import re
import subprocess
import sys
import sysconfig
import venv
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[2]


def guide_commands():
    section = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8").split("## Write a card")[1].split("\n## ")[0]
    blocks = re.findall(r"```sh\n(.*?)```", section, re.DOTALL)
    assert len(blocks) == 1
    return blocks[0]


def test_the_guide_has_its_commands():
    assert "simkit new card night-light --package" in guide_commands().splitlines()


@pytest.mark.slow  # builds and installs the kit's wheel and a package: some 20 s
@pytest.mark.skipif(os.name == "nt", reason="the guide's commands are those of a POSIX shell")
def test_the_page_on_writing_a_card_works_as_it_stands(tmp_path):
    wheels = tmp_path / "wheels"
    command = [
        "-m",
        "pip",
        "wheel",
        "--no-deps",
        "--no-build-isolation",
        "--no-index",
        "-q",
        "-w",
        str(wheels),
        str(ROOT),
    ]
    subprocess.run([sys.executable, *command], check=True, timeout=300)
    (wheel,) = wheels.glob("*.whl")
    place = tmp_path / "environment"
    venv.create(place, with_pip=True)
    # The libraries come from the environment the tests run in: as a plain path, so that its editable installs do not.
    site = place / "lib" / f"python{sys.version_info.major}.{sys.version_info.minor}" / "site-packages"
    (site / "libraries.pth").write_text(sysconfig.get_path("purelib") + "\n")
    environment = {
        "PATH": f"{place / 'bin'}:/usr/bin:/bin",
        "HOME": str(tmp_path),
        "PIP_NO_INDEX": "1",
        "PIP_DISABLE_PIP_VERSION_CHECK": "1",
    }

    def shell(script, folder):
        done = subprocess.run(
            ["/bin/sh", "-ex", "-c", script], cwd=folder, env=environment, capture_output=True, text=True, timeout=300
        )
        assert done.returncode == 0, done.stdout + done.stderr
        return done.stdout

    shell(f"pip install --ignore-installed --no-deps '{wheel}'", tmp_path)
    work = tmp_path / "work"
    work.mkdir()
    told = shell(guide_commands(), work)
    assert "night-light  Night light card" in told
    assert "night-light keeps the contract of a card" in told
    assert re.search(r"\d+ passed", told)
    where = shell("python -c 'import simkit, night_light; print(simkit.__file__, night_light.__file__)'", tmp_path)
    assert all(str(place) in path for path in where.split()), "the installed ones were used, not the checkout"

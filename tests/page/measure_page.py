"""How fast a page is in headless Chromium, beside an empty page and the bare runtime in the same browser.

    python tests/page/measure_page.py            # builds pages of the game at 2 and 4 MHz, prints a table

Each figure is of one go; the order is bare, page, bare, page, so that the two share what else the computer does.
"""

import argparse
import json
import subprocess
import sys
import tempfile
import time
from pathlib import Path

from simkit.hands.pads import SHORTEST_PRESS_SECONDS
from tests.page.chromium import Page, chromium, served

BARE = """<!doctype html><title>bare</title><script type="module">
const worker = new Worker("bare.js", { type: "module" });
const began = performance.now();
worker.onmessage = () => (window.ready = performance.now() - began);
</script>"""
BARE_WORKER = """import { loadPyodide } from "./runtime/pyodide.mjs";
const python = await loadPyodide({ indexURL: new URL("./runtime/", import.meta.url).href });
python.runPython("1");
postMessage("ready");
"""
EMPTY = """<!doctype html><title>empty</title><script>
const gaps = []; let last = null;
function frame(now) { if (last !== null) gaps.push(now - last); last = now; requestAnimationFrame(frame); }
requestAnimationFrame(frame);
window.inTime = () => gaps.filter((gap) => gap < 33).length / gaps.length;
</script>"""
PLAYED_SECONDS = 10.5


def made(folder, clock):
    words = ["page", "demo:marlpit", "--clock", clock, "--out", str(folder)]
    subprocess.run([sys.executable, "-m", "simkit", *words], check=True, stdout=subprocess.DEVNULL)
    (folder / "bare.html").write_text(BARE)
    (folder / "bare.js").write_text(BARE_WORKER)
    (folder / "empty.html").write_text(EMPTY)
    return folder


def bare_seconds(driver, address):
    page = Page(driver, address).open("bare.html", started=False)
    page.until("window.ready")
    return page.run("return window.ready") / 1000


def empty_in_time(driver, address):
    page = Page(driver, address).open("empty.html", started=False)
    time.sleep(PLAYED_SECONDS)
    return page.run("return window.inTime()")


def played(driver, address):
    """Starts the game and plays; what the page itself has measured."""
    page = Page(driver, address).open("index.html")
    began = time.monotonic()
    time.sleep(2.5)
    page.ask("touch", pad=1, button="start", down=True)
    time.sleep(float(SHORTEST_PRESS_SECONDS) * 5)
    page.ask("touch", pad=1, button="start", down=False)
    while time.monotonic() - began < PLAYED_SECONDS:
        for button in ("left", "up", "right", "down"):
            page.ask("touch", pad=1, button=button, down=True)
            time.sleep(0.2)
            page.ask("touch", pad=1, button=button, down=False)
    return page.run("return window.simkit.numbers.all") | {"share": page.ask("state")["share"]}


def measure(clocks):
    found = []
    with tempfile.TemporaryDirectory() as home:
        for clock in clocks:
            folder = made(Path(home) / clock.replace(" ", "-"), clock)
            with served(folder) as address:
                for _ in range(2):
                    with chromium() as driver:
                        bare = bare_seconds(driver, address)
                    with chromium() as driver:
                        page = played(driver, address)
                    found.append({"clock": clock, "bare": bare, **page})
                with chromium() as driver:
                    found.append({"clock": clock, "empty_in_time": empty_in_time(driver, address)})
    return found


def told(found):
    for one in found:
        if "empty_in_time" in one:
            print(f"an empty page: {one['empty_in_time']:.1%} of the frames within 33 ms")
            continue
        first = one["first"] / 1000
        print(
            f"{one['clock']}: {one['share']:.1%} of its clock; {one['picturesPerSecond']:.1f} new pictures a second; "
            f"{one['inTime']:.1%} of {one['frames']} frames within 33 ms; bare runtime {one['bare']:.2f} s, first "
            f"picture {first:.2f} s, ratio {first / one['bare']:.2f}"
        )


if __name__ == "__main__":
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--json", action="store_true", help="print for programs")
    found = measure(("2 MHz", "4 MHz"))
    if parser.parse_args().json:
        json.dump(found, sys.stdout, indent=2)
    else:
        told(found)

"""A real browser on a page: headless Chromium, which reaches nothing but this computer."""

import json
import shutil
import threading
import time
from contextlib import contextmanager

from simkit.page.serving import server

ARGUMENTS = (
    "--headless=new",
    "--no-sandbox",  # tests run as root in containers
    "--disable-dev-shm-usage",
    "--window-size=1200,1400",
    "--host-resolver-rules=MAP * ~NOTFOUND , EXCLUDE 127.0.0.1",
)
WAIT_SECONDS = 90


@contextmanager
def served(folder):
    """The address of a folder, served as `simkit page --serve` does."""
    with server(folder, 0) as serving:
        threading.Thread(target=serving.serve_forever, daemon=True).start()
        try:
            yield f"http://127.0.0.1:{serving.server_port}"
        finally:
            serving.shutdown()


@contextmanager
def chromium(*arguments, phone=False):
    """The driver of a browser of its own."""
    from selenium import webdriver
    from selenium.webdriver.chrome.options import Options
    from selenium.webdriver.chrome.service import Service

    options = Options()
    options.binary_location = shutil.which("chromium")
    for argument in (*ARGUMENTS, *arguments):
        options.add_argument(argument)
    if phone:
        metrics = {"width": 390, "height": 844, "pixelRatio": 2, "touch": True, "mobile": True}
        options.add_experimental_option("mobileEmulation", {"deviceMetrics": metrics})
    options.set_capability("goog:loggingPrefs", {"browser": "ALL", "performance": "ALL"})
    driver = webdriver.Chrome(options=options, service=Service(shutil.which("chromedriver")))
    driver.set_script_timeout(WAIT_SECONDS)
    try:
        yield driver
    finally:
        driver.quit()


class Page:
    """A page in a browser."""

    def __init__(self, driver, address):
        self.driver, self.address = driver, address

    def open(self, path="", *, started=True):
        self.driver.get(f"{self.address}/{path}")
        if started:
            self.until("document.documentElement.dataset.started || !document.getElementById('trouble').hidden")
            assert self.text("trouble") == ""
        return self

    def run(self, script, *arguments):
        return self.driver.execute_script(script, *arguments)

    def until(self, condition):
        """Wait until a JavaScript expression is true."""
        end = time.monotonic() + WAIT_SECONDS
        while not self.run(f"return Boolean({condition})"):
            assert time.monotonic() < end, f"{condition} did not come; {self.text('trouble')}"
            time.sleep(0.05)

    def text(self, name):
        return self.run("return document.getElementById(arguments[0]).textContent", name)

    def ask(self, do, **more):
        """What the host answers."""
        return self.run("return window.simkit.machine.ask(arguments[0], arguments[1])", do, more)

    def bytes(self, name):
        """Bytes that the host gives."""
        script = "return window.simkit.machine.bytes(arguments[0]).then((bytes) => Array.from(bytes))"
        return bytes(self.run(script, name))

    def shown(self):
        """The canvas, four bytes a pixel."""
        script = """
            const canvas = document.getElementById("screen");
            return Array.from(canvas.getContext("2d").getImageData(0, 0, canvas.width, canvas.height).data);
        """
        return bytes(self.run(script))

    def pause(self):
        """Have it stand, with the last picture shown."""
        self.ask("go", on=False)
        self.run("return new Promise((done) => setTimeout(done, 200))")
        return self.ask("state")

    def click(self, name):
        self.run("document.getElementById(arguments[0]).click()", name)

    def requests(self):
        """Addresses that the browser asked for since this was asked last."""
        told = (json.loads(entry["message"])["message"] for entry in self.driver.get_log("performance"))
        return [one["params"]["request"]["url"] for one in told if one["method"] == "Network.requestWillBeSent"]

    def complaints(self):
        """What stands in the browser's console as an error."""
        return [entry["message"] for entry in self.driver.get_log("browser") if entry["level"] == "SEVERE"]

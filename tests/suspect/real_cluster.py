"""A real scheduler with workers, each a process of its own, on this host."""

import contextlib
import json
import os
import subprocess
import sys
import time
from pathlib import Path

TREE = Path(__file__).parents[2]
UNTIL_SECONDS = 60


class RealCluster:
    """Started with `with`; ends all it has started.

    Attributes:
        address: of the scheduler.
        scheduler: its process.
        workers: theirs.
    """

    def __init__(self, folder, workers=2):
        self.folder = folder
        self.wanted = workers

    def __enter__(self):
        self._processes = []
        path = os.pathsep.join([str(TREE), str(TREE / "cards")])
        self.environment = {**os.environ, "PYTHONPATH": path}
        self.file = self.folder / "scheduler.json"
        self.scheduler = self._start("dask_scheduler", "--host", "127.0.0.1", "--port", "0", "--no-dashboard",
                                     "--scheduler-file", str(self.file))  # fmt: skip
        self.workers = [self.worker() for _ in range(self.wanted)]
        self.address = self._address()
        return self

    def _address(self):
        ends = time.monotonic() + UNTIL_SECONDS
        while not self.file.exists():
            assert time.monotonic() < ends, "the scheduler does not start"
            time.sleep(0.05)
        return json.loads(self.file.read_text())["address"]

    def worker(self, **environment):
        """One more."""
        return self._start("dask_worker", "--scheduler-file", str(self.file), "--nthreads", "1", "--no-nanny",
                           "--no-dashboard", "--local-directory", str(self.folder), **environment)  # fmt: skip

    def _start(self, what, *words, **environment):
        log = (self.folder / f"{what}{len(self._processes)}.log").open("wb")
        with log:
            process = subprocess.Popen(
                [sys.executable, "-m", f"distributed.cli.{what}", *words],
                stdout=log, stderr=log, env={**self.environment, **environment}, cwd=self.folder,
            )  # fmt: skip
        self._processes.append(process)
        return process

    def wait_for_workers(self, count):
        """Until so many are there."""
        from distributed import Client

        with Client(self.address, set_as_default=False) as client:
            client.wait_for_workers(count, timeout=UNTIL_SECONDS)

    def __exit__(self, *error):
        for process in reversed(self._processes):
            with contextlib.suppress(OSError):
                process.kill()
            process.wait()

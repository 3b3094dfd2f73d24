"""The search on other machines: a dask.distributed scheduler as an executor.

`with connected(address, trial) as cluster:` and then `run_all(..., executor=cluster.executor)`. The package comes with
the extra `cluster` and is imported here alone, when somebody asks for it. Workers are given bytes and texts, and run
code of their own kit on them: so before any work each of them says which kit that is. A worker that dies has its pieces
done by another; whatever ends the work otherwise is told as a SimkitError.
"""

from __future__ import annotations

import asyncio
import contextlib
import hashlib
import logging
import os
import platform
import sys
import threading
import time
import warnings
import zlib
from collections.abc import Callable, Iterator
from concurrent.futures import CancelledError, Executor, Future
from functools import lru_cache
from importlib import import_module
from importlib.util import find_spec
from pathlib import Path
from typing import Any

import attrs

from simkit.contract.errors import FileError, SimkitError
from simkit.files.bounded import read_bounded
from simkit.machine.fingerprint import Fingerprint
from simkit.machinefile.catalogue import FileModule
from simkit.suspect.sent import packed, unpacked
from simkit.suspect.trial import Trial

TIMEOUT_SECONDS = 10.0
"""In which an address must answer."""
NOBODY_SECONDS = 60.0
"""For which no worker may be there."""
LOOK_SECONDS = 2.0
"""Between two looks whether one is."""
MAX_SOURCE_BYTES = 10_000_000
KIT = ("simkit", "simkit_cards")
NOT_CODE = "shipped"
"""Folder of demonstrations in an installed kit."""
START = "dask worker ADDRESS --nthreads 1 --nworkers auto"

GoesOn = Callable[[float], bool]


@attrs.frozen
class About:
    """What a process has in common with others whose runs come out alike.

    Attributes:
        python: version, and kind of Python.
        system: "posix" or "nt": paths are others.
        packing: hash of what its zlib makes of a text; runs are told apart by what they are packed to.
        kit: hash of the kit's code.
        cards: by slot hash of the file in which the class of the card stands.
        machine: the machine's identity, with the models of its cards.
    """

    python: str
    system: str
    packing: str
    kit: str
    cards: dict[int, str]
    machine: str

    @classmethod
    def of(cls, trial: Trial) -> About:
        """Of this process, with what a trial needs."""
        return cls(
            f"{platform.python_implementation()} {sys.version_info[0]}.{sys.version_info[1]}",
            os.name,
            _hash(zlib.compress(bytes(number * number % 251 for number in range(20_000)), 1)),
            kit(),
            {card.slot: _code_of(card.card) for card in trial.description.cards},
            _hash(repr(Fingerprint.of(trial.description, trial.images).to_data()).encode()),
        )

    def other(self, its: About) -> str | None:
        """What another process has otherwise, in words; None if all is alike."""
        if its.python != self.python:
            return f"runs {its.python}, this is {self.python}"
        if its.system != self.system:
            return "runs on another kind of system"
        if its.kit != self.kit:
            return "has another version of the kit"
        if its.packing != self.packing:
            return "has another zlib, which packs runs otherwise"
        for slot, code in self.cards.items():
            if its.cards.get(slot) != code:
                return f"has another version of the card in slot {slot}"
        return "reads the machine otherwise" if its.machine != self.machine else None


@lru_cache(maxsize=1)
def kit() -> str:
    """Hash of the kit's code."""
    made = hashlib.sha256()
    for package in KIT:
        spec = find_spec(package)
        for place in (spec.submodule_search_locations if spec is not None else None) or ():
            for path in sorted(Path(place).rglob("*.py")):
                name = path.relative_to(place)
                if NOT_CODE not in name.parts:
                    made.update(f"{package}/{name.as_posix()}\n".encode())
                    made.update(read_bounded(path, MAX_SOURCE_BYTES, "module"))
    return made.hexdigest()


def _code_of(card: type) -> str:
    module = FileModule.of(card)
    if module is not None:
        return _hash(module.source)
    file = sys.modules[card.__module__].__file__
    return "" if file is None else _hash(read_bounded(Path(file), MAX_SOURCE_BYTES, "module"))


def _hash(content: bytes) -> str:
    return hashlib.sha256(content).hexdigest()


# on the workers ----------------------------------------------------------------------------------------------------

_ONE_AT_A_TIME = threading.Lock()
"""Machines of one process are run by one thread: their cards' code is not made for more."""


def about(sent: bytes) -> tuple[About | None, str]:
    """What this process has, or why it cannot be said."""
    with _ONE_AT_A_TIME:
        try:
            return About.of(unpacked(sent)), ""
        except Exception as error:  # noqa: BLE001 - code of another version, or of a card, may fail in any way
            return None, f"{type(error).__name__}: {error}"


def checked(wanted: str, call: Callable[..., Any], *arguments: Any) -> Any:
    """Do a piece of the work, if this is the kit that was meant: a worker may have come later.

    Raises:
        SimkitError: it is another one.
    """
    if kit() != wanted:
        raise SimkitError(
            f"A worker on {platform.node()} has another version of the kit.", remedy="Install the same on all."
        )
    with _ONE_AT_A_TIME:
        return call(*arguments)


# here --------------------------------------------------------------------------------------------------------------


class Checked(Executor):
    """Another executor, whose workers do nothing with another kit than this one.

    Args:
        executor: that does the work.
    """

    def __init__(self, executor: Executor) -> None:
        self._executor = executor

    def submit(self, call: Callable[..., Any], /, *arguments: Any, **words: Any) -> Future[Any]:
        """Have it done."""
        return self._executor.submit(checked, kit(), call, *arguments, **words)

    def shutdown(self, wait: bool = True, *, cancel_futures: bool = False) -> None:
        """End it."""
        self._executor.shutdown(wait, cancel_futures=cancel_futures)


@attrs.define(eq=False)
class Cluster:
    """A scheduler with workers that have the same kit.

    Attributes:
        executor: that does the work.
        workers: how many there were at the beginning.
        threads: of all of them.
    """

    executor: Executor
    workers: int
    threads: int
    _is_there: Callable[[], bool]

    def watched(self, goes_on: GoesOn) -> GoesOn:
        """The same, which ends the work also when nobody is left to do it.

        Raises (when it is called):
            FileError: no worker has been there for NOBODY_SECONDS.
        """
        seen = looked = time.monotonic()

        def also(part: float) -> bool:
            nonlocal seen, looked
            now = time.monotonic()
            if now >= looked + LOOK_SECONDS:
                looked = now
                if self._is_there():
                    seen = now
            if now > seen + NOBODY_SECONDS:
                raise FileError(
                    f"The scheduler has had no worker for {NOBODY_SECONDS:.0f} s.",
                    remedy=f"Start one: {START}",
                )
            return goes_on(part)

        return also


@contextlib.contextmanager
def connected(address: str, trial: Trial, timeout: float = TIMEOUT_SECONDS) -> Iterator[Cluster]:
    """The workers of a scheduler, for as long as they are wanted.

    Args:
        address: "tcp://host:8786", "tls://…", or "host:8786".
        trial: that they are wanted for.
        timeout: seconds in which the address must answer.

    Raises:
        SimkitError: the package is missing, the address is none, a worker has another kit.
        FileError: nobody answers; or, behind the `with`, the scheduler or all workers are gone.
    """
    try:
        distributed: Any = import_module("distributed")
    except ImportError as error:
        raise SimkitError(
            "--cluster needs the package distributed, which is not installed.",
            remedy='Install it: pip install "backplane-simkit[cluster]".',
        ) from error
    _silence()
    with contextlib.ExitStack() as stack:
        client = _client(distributed, address, timeout)
        stack.callback(_closed, client)
        with _told(distributed, address):
            found = _same_kits(client, trial, address)
            yield Cluster(
                Checked(client.get_executor(pure=False)),
                len(found),
                sum(found.values()),
                lambda: bool(client.scheduler_info().get("workers")),
            )


def _silence() -> None:
    """What the package would log of a scheduler that is gone is told here, once; its loggers have their own levels."""
    names = [name for name in logging.root.manager.loggerDict if name.split(".")[0] == "distributed"]
    for name in ("distributed", *names):
        logging.getLogger(name).setLevel(logging.CRITICAL + 1)


def _client(distributed: Any, address: str, timeout: float) -> Any:
    answers = f"dask scheduler prints its address when it starts, like tcp://192.168.1.7:8786; workers: {START}."
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")  # of versions: what matters is compared by us
            asyncio.run(_answers(address, timeout))
            return distributed.Client(address, timeout=timeout, set_as_default=False)
    except (OSError, TimeoutError) as error:
        raise FileError(
            f"--cluster {address}: no scheduler answers there within {timeout:g} s.", remedy=answers
        ) from error
    except Exception as error:  # an address of no kind, certificates that are missing: whatever it raises
        why = str(error).splitlines()[0].removesuffix(".") if str(error) else type(error).__name__
        raise SimkitError(
            f"--cluster {address!r} cannot be used: {why}.",
            remedy=f"{answers} For tls:// addresses certificates stand in dask's own configuration.",
        ) from error


async def _answers(address: str, timeout: float) -> None:
    """Nothing if somebody answers; a client that was made for nobody can hardly be ended."""
    comm: Any = import_module("distributed.comm")
    security: Any = import_module("distributed.security")
    words = security.Security().get_connection_args("client")
    connection = await comm.connect(address, timeout=timeout, **words)
    await connection.close()


def _closed(client: Any) -> None:
    with contextlib.suppress(Exception):  # the scheduler may be gone
        client.close(timeout=2)


def _same_kits(client: Any, trial: Trial, address: str) -> dict[str, int]:
    """Threads of each worker, when all have the same kit.

    Raises:
        SimkitError: one has another; SimkitError also where the machine cannot be sent.
        FileError: there is none.
    """
    threads = {str(worker): int(count) for worker, count in client.ncores().items()}
    if not threads:
        raise FileError(f"--cluster {address}: the scheduler has no worker.", remedy=f"Start one: {START}")
    mine = About.of(trial)
    wrong = []
    for worker, answer in client.run(about, packed(trial), on_error="return").items():
        its, why = answer if isinstance(answer, tuple) else (None, f"{type(answer).__name__}: {answer}")
        found = mine.other(its) if its is not None else f"cannot read what it is sent ({why})"
        if found is not None:
            wrong.append(f"The worker {worker} {found}.")
    if wrong:
        raise SimkitError(
            f"--cluster {address}: {len(wrong)} of {len(threads)} workers cannot do the same work.",
            lines=wrong[:10],
            remedy="Install the same Python, the same kit and the same cards there, and start the workers again.",
        )
    return threads


@contextlib.contextmanager
def _told(distributed: Any, address: str) -> Iterator[None]:
    """What ends the work from outside of it, in words."""
    gone = f"--cluster {address}: "
    try:
        yield
    except SimkitError:
        raise
    except import_module("distributed.scheduler").KilledWorker as error:
        raise FileError(
            f"{gone}several workers were ended at the same piece of the work.",
            remedy="Look at their logs; most likely they had too little memory: start fewer a host.",
        ) from error
    except (CancelledError, OSError, TimeoutError) as error:
        raise FileError(
            f"{gone}the scheduler is gone.", remedy="Start it and its workers again, and give the command again."
        ) from error

"""Files of the machine that change while its window is open: loaded anew, or told what is wrong with them."""

from __future__ import annotations

from collections.abc import Callable
from typing import TYPE_CHECKING

from simkit.contract.errors import SimkitError
from simkit.window.fresh import Fresh, Reload
from simkit.window.moment import Goal
from simkit.window.trouble import ends_the_run, trouble_words

if TYPE_CHECKING:
    from simkit.machine.machine import Machine
    from simkit.window.app import App

SHORT_IMAGE = "image-size"
"""Rule broken by an image that ends before the vectors."""


class WatchedFiles:
    """Has the window go on with what changed files make.

    Args:
        app: the window.
        reload: gives what changed files make; None when nobody watches files.
        log: gets the whole text of trouble, which the window may have no room for.

    Attributes:
        trouble: what is wrong with the files as they are now; "" when nothing is.
    """

    def __init__(self, app: App, reload: Reload | None, log: Callable[[str], None]) -> None:
        self._app = app
        self._reload = reload
        self._log = log
        self.trouble = ""

    @property
    def watching(self) -> bool:
        """Whether anybody looks."""
        return self._reload is not None

    def failed(self, error: BaseException) -> None:
        """The machine failed, and waits for better files."""
        going = self._app.going
        going.failure = f"Stopped, until the files change or you power it on again.\n{trouble_words(error)}"
        going.off = True
        self._log(going.failure)

    def look(self) -> None:
        """Take what has changed; where that cannot be, all is as before and what is wrong is told."""
        if self._reload is None or (self._app.tape.playing and not self._app.going.failure):
            return
        try:
            fresh = self._reload()
            if fresh is not None:
                self._take(fresh)
        except BaseException as error:
            if ends_the_run(error):
                raise
            self.trouble = f"Not loaded; the machine stays as it was.\n{trouble_words(error)}"
            self._log(self.trouble)

    def _take(self, fresh: Fresh) -> None:
        app = self._app
        controls = fresh.controls or app.controls
        if fresh.machine is None:
            app.play_with(controls)
            self.trouble = ""
            app.say("The controls have changed." if fresh.controls else "The files are as they were loaded.")
            return
        self._refuse_cut_off(fresh.machine)
        paused, goal = app.going.paused, app.going.goal
        app.show(fresh.machine, controls)
        if app.tape.playing:  # to a machine that has failed
            app.tape.let_go()
            app.release()
        app.tape.loaded_anew(fresh.machine)
        self.trouble = app.going.failure = ""
        app.going.off = False
        news = "The files have changed: loaded anew and switched on."
        if paused:
            app.stand()
            news += " It stands at its beginning, as it stood before."
        elif goal is not None:
            news += self._aim_again(goal.text)
        app.say_with_warnings(news)

    def _aim_again(self, moment: str) -> str:
        """Have it run to where the one before was to; what is told of that."""
        try:
            self._app.going.aim(Goal(self._app.machine, moment))
        except SimkitError as error:
            return f" It runs on and on: {error.message}"
        return ""

    def _refuse_cut_off(self, machine: Machine) -> None:
        """Take no image that has become shorter than its part: somebody's build was cut off.

        Raises:
            SimkitError: there is one.
        """
        before = {warning.slot for warning in self._app.machine.warnings if warning.rule == SHORT_IMAGE}
        for warning in machine.warnings:
            if warning.rule == SHORT_IMAGE and warning.slot not in before:
                remedy = "If it shall be so short, close the window and run the machine anew."
                raise SimkitError(warning.message, slot=warning.slot, remedy=remedy)

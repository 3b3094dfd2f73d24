"""What is in a fuse map, for people: when each output is high or low, in the words of a select."""

from __future__ import annotations

from collections.abc import Mapping

from simkit.logic.fuses.program import Output, Program, Term


def equations(program: Program, names: Mapping[int, str]) -> dict[int, str]:
    """A sentence for each output, by its pin: "low when A15 and not A14, else high".

    Args:
        program: the device with its fuse map.
        names: what its pins are called, e.g. by the lines at them; others are called by their number.
    """
    words = _Words(program, names)
    return {pin: words.sentence(output) for pin, output in program.outputs.items()}


class _Words:
    def __init__(self, program: Program, names: Mapping[int, str]) -> None:
        self._program = program
        self._names = names

    def sentence(self, output: Output) -> str:
        program = self._program
        high, low = ("high", "low") if output.sum_inverted == output.inverted else ("low", "high")
        total = self._sum(output.terms)
        if output.registered:
            clock = self._name(program.device.clock)
            told = {"always": high, "never": low}.get(total, f"{high} when {total}, else {low}")
            told = f"from the next rise of {clock} on {told}"
            told += "".join(
                f"; {word} when {self._term(term)}{when}"
                for term, when, word in (
                    (program.reset, "", "high" if output.inverted else "low"),
                    (program.preset, f" at a rise of {clock}", "low" if output.inverted else "high"),
                )
                if term is not None and not term.never
            )
        else:
            told = {"always": f"always {high}", "never": f"always {low}"}.get(total, f"{high} when {total}, else {low}")
        return told + self._enable(output)

    def _enable(self, output: Output) -> str:
        if output.by_pin and self._program.device.output_enable is not None:
            return f"; driven while {self._name(self._program.device.output_enable)} is low"
        enable = "always" if output.enable is None else self._term(output.enable)
        return {"always": "", "never": "; never driven: an input"}.get(enable, f"; driven when {enable}")

    def _sum(self, terms: tuple[Term, ...]) -> str:
        told = [text for term in terms if (text := self._term(term)) != "never"]
        return "always" if "always" in told else " or ".join(dict.fromkeys(told)) or "never"

    def _term(self, term: Term) -> str:
        if term.never:
            return "never"
        return " and ".join(self._literal(pin, inverted) for pin, inverted in sorted(term.literals)) or "always"

    def _literal(self, pin: int, inverted: bool) -> str:
        """A level in a term; a flip-flop feeds back the inverse of Q, and its pin may be that or Q."""
        output = self._program.outputs.get(pin)
        if output is not None and output.registered and not output.inverted:
            inverted = not inverted
        return f"not {self._name(pin)}" if inverted else self._name(pin)

    def _name(self, pin: int) -> str:
        return self._names.get(pin, f"pin {pin}")

"""What makes a machine this machine: clock, CPU, wiring, images and seed, part by part; and the models of its cards.

Names, paths and the text of the machine file do not count, nor does what stands at its default: a card that is given
one more setting with a default leaves the machine the same.
"""

from __future__ import annotations

import hashlib
import json
from collections.abc import Mapping
from typing import Any

import attrs

from simkit.machinefile.description import Description

PART_DIGITS = 16
MAX_PARTS = 400


@attrs.frozen
class Fingerprint:
    """A machine's identity.

    Attributes:
        parts: hash of each part, by its name in sentences: "clock", "slot 4", "image of slot 2", "seed".
        models: by slot: kind of the card, and the number that its author raises when its behaviour changes.
    """

    parts: Mapping[str, str]
    models: Mapping[int, tuple[str, int]]

    @classmethod
    def of(cls, description: Description, images: Mapping[int, bytes]) -> Fingerprint:
        """That of a machine as described, with these images in its sockets."""
        contents = {
            **{name: _text(part) for name, part in description.parts().items()},
            **{f"image of slot {slot}": image for slot, image in images.items()},
            "seed": _text(
                [description.seed, *sorted(description.seeds.items())] if description.seeds else description.seed
            ),
        }
        parts = {name: hashlib.sha256(content).hexdigest()[:PART_DIGITS] for name, content in contents.items()}
        models = {card.slot: (card.card.kind, card.card.model) for card in description.cards}
        return cls(dict(sorted(parts.items())), models)

    @property
    def digest(self) -> str:
        """The identity in one hash, without the models."""
        return hashlib.sha256(_text(dict(self.parts))).hexdigest()

    def other_parts(self, other: Fingerprint) -> list[str]:
        """Names of the parts in which another machine differs."""
        names = sorted({*self.parts, *other.parts})
        return [name for name in names if self.parts.get(name) != other.parts.get(name)]

    def other_models(self, now: Fingerprint) -> list[str]:
        """A sentence for each card whose behaviour has changed between this and `now`."""
        return [
            f"Slot {slot}: {kind} was model {model} of the card and is model {now.models[slot][1]} now; its behaviour "
            "has changed."
            for slot, (kind, model) in sorted(self.models.items())
            if slot in now.models and now.models[slot][0] == kind and now.models[slot][1] != model
        ]

    def to_data(self) -> dict[str, Any]:
        """JSON values for a file."""
        return {"parts": dict(self.parts), "models": {str(slot): list(pair) for slot, pair in self.models.items()}}

    @classmethod
    def from_data(cls, data: object) -> Fingerprint:
        """What `to_data` gave.

        Raises:
            ValueError: it is not that.
        """
        if not isinstance(data, dict) or set(data) != {"parts", "models"}:
            raise ValueError("it holds no parts and models")
        parts, models = data["parts"], data["models"]
        if not isinstance(parts, dict) or not isinstance(models, dict) or len(parts) + len(models) > MAX_PARTS:
            raise ValueError("its parts or models are no table")
        if not all(isinstance(value, str) for value in parts.values()):
            raise ValueError("a part is no hash")
        found: dict[int, tuple[str, int]] = {}
        for slot, pair in models.items():
            if not (slot.isdecimal() and isinstance(pair, list) and list(map(type, pair)) == [str, int]):
                raise ValueError(f"the model of slot {slot[:8]} is {str(pair)[:40]}")
            found[int(slot)] = (pair[0], pair[1])
        return cls(parts, found)


def _text(value: object) -> bytes:
    return json.dumps(value, sort_keys=True, separators=(",", ":")).encode()

"""One machine with one fault after another, built from its description without reading a file again."""

from __future__ import annotations

import attrs

from simkit.backplane.sentences import read_sentence
from simkit.backplane.wiring import CPU, Done, Wiring
from simkit.contract.errors import SimkitError
from simkit.machinefile.description import Description


def with_fault(description: Description, sentence: str) -> Description:
    if ": setting " in sentence:
        place, _, rest = sentence.partition(": setting ")
        name, _, value = rest.partition(" = ")
        slot = int(place.split()[1])
        cards = []
        for card in description.cards:
            if card.slot == slot:
                field = attrs.fields_dict(type(card.settings))[name]
                kind = type(field.default)
                made = value == "true" if kind is bool else kind(value)
                card = attrs.evolve(card, settings=attrs.evolve(card.settings, **{name: made}))
            cards.append(card)
        return attrs.evolve(description, cards=tuple(cards))
    entry = read_sentence(sentence, None)
    if entry.done is Done.REMOVED:
        return attrs.evolve(
            description,
            wiring=description.wiring + Wiring((entry,)),
            cards=tuple(card for card in description.cards if card.slot != entry.slot),
        )
    if entry.slot in (None, CPU):
        return attrs.evolve(description, wiring=description.wiring + Wiring((entry,)))
    return attrs.evolve(
        description,
        cards=tuple(
            attrs.evolve(card, wiring=card.wiring.then(Wiring((entry,))), is_decoded_as_said=True)
            if card.slot == entry.slot
            else card
            for card in description.cards
        ),
    )

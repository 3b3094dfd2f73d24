"""All the bad cards, and where each stands."""

from pathlib import Path

from tests.bad_cards.kinds import acts, gives, itself, raises, says, sound

_BAD = [
    (module, cls)
    for module in (raises, gives, says, acts, itself)
    for cls in vars(module).values()
    if isinstance(cls, type) and "told" in vars(cls)
]
TABLE = [(cls, cls.told, cls.known) for _, cls in _BAD]
"""(class, words that must be told, what else is known of it)."""
FILES = {cls.__name__: Path(module.__file__) for module, cls in [*_BAD, (sound, sound.Sound)]}
"""Files of the bad cards and of the sound one, by the names of their classes."""

"""How many examples a property test tries: a share in the default suite, all of them where there is time.

`pytest --hypothesis-profile=long` tries all. Each run makes up others, so that the short runs come to as many.
"""

from hypothesis import settings

ALL = 100
"""Examples of hypothesis by itself."""
SHARE = 34
"""Of them, in the default suite."""


def register_profiles() -> None:
    """Have the short profile by itself, and the long one by name."""
    settings.register_profile("short", max_examples=SHARE)
    settings.register_profile("long", max_examples=ALL)
    settings.load_profile("short")


def examples(all_of_them: int) -> int:
    """The share of so many that this session tries, two at least: the first is the simplest there is."""
    return max(2, all_of_them * settings.default.max_examples // ALL)

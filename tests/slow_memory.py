"""Memory that needs wait states."""

import attrs
from simkit_cards.memory.sram import Sram, SramSettings

from simkit.contract import setting


@attrs.frozen(kw_only=True)
class SlowSettings(SramSettings):
    wait: int = setting(1, unit="cycles", help="wait cycles of each access")


class SlowRam(Sram):
    """RAM that holds the CPU in each access."""

    kind = "slow-ram"
    Settings = SlowSettings

    def wait_cycles(self, offset: int, is_write: bool) -> int:
        return int(self.settings.wait)

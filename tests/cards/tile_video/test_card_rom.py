"""The video test card ROM, page by page, against golden pictures.

The pictures were looked at one by one. To renew them after a wanted change: pytest --simkit-accept.
"""

import pytest

PAGES = (
    "text", "graphics-1", "graphics-2", "multicolor", "sprites-8", "sprites-8-doubled", "sprites-16",
    "sprites-16-doubled", "m1-and-m2", "text-with-m3", "multicolor-with-m3", "off", "grid",
)  # fmt: skip
LOADING_FRAMES = 12


@pytest.mark.machine("demo/video-test-card")
def test_each_page_is_its_golden_picture(machine, golden):
    """START is held for a moment to go on."""
    for number, page in enumerate(PAGES):
        machine.run(frames=LOADING_FRAMES)
        golden(machine.screen, f"video-test-card-{number:02}-{page}", border=page in ("off", "grid"))
        machine.pads[1].press("start")
        machine.run(frames=2)
        machine.pads[1].release("start")
        machine.run(frames=1)
    assert {f.rule for f in machine.findings} == set()

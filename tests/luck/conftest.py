"""What tests of luck share with those of rules."""

from tests.check.conftest import assemble  # noqa: F401  a fixture

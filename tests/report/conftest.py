"""The invented campaign, made once a session."""

from __future__ import annotations

from types import SimpleNamespace

import pytest
from made_up_campaign import campaign


@pytest.fixture(scope="session")
def made_up() -> SimpleNamespace:
    """Return the invented campaign's results."""
    return campaign()

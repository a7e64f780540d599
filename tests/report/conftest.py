"""The invented campaign, made once a session.

The pages are built from the rig's verdicts and from suggestions. As long as `doe.rig` and
`doe.suggest` are not written, nothing here can be collected, and the whole folder is left out.
"""

from __future__ import annotations

from importlib.util import find_spec
from types import SimpleNamespace

import pytest

collect_ignore_glob: list[str] = []
if find_spec("doe.rig") is None or find_spec("doe.suggest") is None:
    collect_ignore_glob = ["test_*.py"]


@pytest.fixture(scope="session")
def made_up() -> SimpleNamespace:
    """Return the invented campaign's results."""
    from made_up_campaign import campaign

    return campaign()

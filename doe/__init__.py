"""Design of experiments for subcritical-water extraction.

In a notebook::

    import doe

    mint = doe.load("mint")
    mint.check().limits

`doe.load` and `doe.new` return a handle with the use cases as methods; `doe.notebook` has them.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from doe.notebook import CampaignHandle, load, new

__all__ = ["CampaignHandle", "load", "new"]


def __getattr__(name: str) -> Any:
    """Return a name of the notebook interface, imported when it is first asked for."""
    if name not in __all__:
        raise AttributeError(f"module 'doe' has no attribute {name!r}")
    from doe import notebook

    return getattr(notebook, name)

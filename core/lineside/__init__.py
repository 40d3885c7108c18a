"""lineside: how loud a railway is, for whom, until when, why, and what would help."""

from __future__ import annotations

from importlib.metadata import version
from typing import TYPE_CHECKING, Any

__version__ = version("lineside")
__all__ = ["Assessment", "__version__", "assess", "load_project", "render"]

if TYPE_CHECKING:
    from lineside.api import Assessment, assess, load_project, render


def __getattr__(name: str) -> Any:
    """The functions of :mod:`lineside.api`, imported only when used: ``lineside --help`` starts fast."""
    if name in __all__:
        from lineside import api

        return getattr(api, name)
    raise AttributeError(f"module 'lineside' has no attribute {name!r}")

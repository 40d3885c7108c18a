"""A hash of everything that decides the numbers of a run."""

from __future__ import annotations

import hashlib
import importlib.metadata
import json
import sys
from pathlib import Path

from lineside import __version__
from lineside.contracts import Offer, Options
from lineside.engine.select import Selection
from lineside.plugins import Plugins
from lineside.project.load import LoadedProject


def run_key(loaded: LoadedProject, selection: Selection, plugins: Plugins, situation: str) -> str:
    """Inputs, program, plugins, options and situation in one name."""
    whole = hashlib.sha256()

    def take(*words: object) -> None:
        whole.update((json.dumps([str(word) for word in words]) + "\n").encode())

    for name, data in sorted(loaded.inputs.items()):
        take("input", name, hashlib.sha256(data).hexdigest())
    take("situation", situation)
    take("method", selection.method.name, *selection.left_out)
    offers: list[tuple[Offer, Options]] = [
        *selection.sources,
        *selection.forecast_sources,
        (selection.propagation, selection.propagation_options),
        *((offer, options) for _, offer, options in selection.criteria),
    ]
    if selection.rail_state is not None:
        offers.append(selection.rail_state)
    measures = {m.name: m for m in plugins.measures}
    offers += [(measures[use.measure], loaded.measure_options[use.id]) for use in loaded.project.measures]
    for offer, options in offers:
        origin = plugins.origin(offer)
        take("offer", offer.name, offer.version, origin.distribution, origin.version, options.model_dump_json())
        for file in offer.data_files():
            take("table", file.name, file.sha256)
    roots = {"lineside", *(type(offer).__module__.partition(".")[0] for offer, _ in offers)}
    for root in sorted(roots):
        take("code", root, _code(root))
    take("lineside", __version__, sys.version, _processor())
    for library in ("numpy", "numba", "shapely"):
        take(library, importlib.metadata.version(library))
    return whole.hexdigest()[:16]


def _code(package: str) -> str:
    """Hash of the Python files of a package, or of a module's file."""
    whole = hashlib.sha256()
    file = getattr(sys.modules.get(package), "__file__", None)
    if file is None:
        return ""
    path = Path(file)
    for source in sorted(path.parent.rglob("*.py")) if path.name == "__init__.py" else [path]:
        whole.update(source.read_bytes())
    return whole.hexdigest()


def _processor() -> str:
    """Compiled sums may differ in their last bits from one processor to another."""
    from llvmlite.binding import get_host_cpu_name

    return str(get_host_cpu_name())

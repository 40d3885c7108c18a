"""Where the time of ``lineside assess`` goes: loading, computing, data, figures, PDF.

Run by hand: ``python tests/benchmarks/assess_time.py [PROJECT]``. The second run of two is shown too,
because the first one compiles the kernels.
"""

from __future__ import annotations

import sys
import tempfile
import time
from pathlib import Path

DEFAULT = Path(__file__).parents[2] / "example_projects" / "river_curve"


def main(project: Path) -> None:
    """Assess a project twice and print the split."""
    start = time.perf_counter()
    import lineside

    lineside.assess  # noqa: B018  imports what it needs
    print(f"import {time.perf_counter() - start:.2f} s")
    for run in ("first run", "second run"):
        with tempfile.TemporaryDirectory() as folder:
            start = time.perf_counter()
            assessment = lineside.assess(project)
            seconds = {**assessment.seconds, **lineside.render(assessment, Path(folder))}
            total = time.perf_counter() - start
        split = "  ".join(f"{name} {value:.2f} s ({100 * value / total:.0f} %)" for name, value in seconds.items())
        print(f"{run}: {total:.2f} s in all:  {split}")


if __name__ == "__main__":
    main(Path(sys.argv[1]) if len(sys.argv) > 1 else DEFAULT)

"""What the report says about measured roughness: what it replaces, and what a fit to it gives."""

from __future__ import annotations

from datetime import date

from lineside.contracts import Note, RailRun, Standing
from lineside_plugins.rail_wear.fit import Fit
from lineside_plugins.rail_wear.history import Work, finish_parameter, leaves_marks
from lineside_plugins.rail_wear.run import KnownRun


def measured_notes(run: RailRun, known: KnownRun) -> list[Note]:
    """Notes on a run with measured spectra; none for one without."""
    if not run.measured:
        return []
    place = f"{run.place}: r" if run.place else "R"
    texts = []
    if known.before:
        until = f" up to the {_words(known.works[0])}" if known.works else ""
        texts.append(
            f"{place}oughness measured on {_dates([m.date for m in known.before])} takes the place of the given class "
            f"or spectrum{until}, in the bands that it has."
        )
    texts += [f"{place}{_fit_words(run, work, fit)}" for work, fit in known.fits.items()]
    sources = sorted({m.source for m in run.measured if m.source})
    measured_by = f" Measured: {'; '.join(sources)}." if sources else ""
    return [Note("assumption", text + measured_by, Standing.USER) for text in texts]


def _fit_words(run: RailRun, work: Work, fit: Fit) -> str:
    names = ["marks_fade_mgt", finish_parameter(work), "marks_db" if leaves_marks(work) else None]
    ranges = [fit.ranges[name] for name in names if name is not None]
    values = "; ".join(f"{r.name} {r.low:.3g} / {r.likely:.3g} / {r.high:.3g} {r.unit}" for r in ranges)
    pitch = f"; pitch of the marks {fit.pitch_mm:.3g} mm, by the band in which they show" if fit.pitch_mm else ""
    dates = [m.date for m in run.measured if m.date >= work.date][: fit.n_spectra]
    spectra = f"{fit.n_spectra} spectrum" if fit.n_spectra == 1 else f"{fit.n_spectra} spectra"
    return (
        f"oughness measured after the {_words(work)} on {_dates(dates)} ({spectra}): the wear model was fitted to it "
        f"and misses it by {fit.rms_db:.1f} dB (root mean square). Low / likely / high of this pass are now "
        f"{values}{pitch}. On the day of a measurement its spectrum holds."
    )


def _words(work: Work) -> str:
    return f"{work.kind.replace('_', ' ')} of {work.date.isoformat()}"


def _dates(dates: list[date]) -> str:
    return " and ".join(d.isoformat() for d in sorted(set(dates)))

"""Options in time, against what wear-in does of itself."""

from __future__ import annotations

import numpy as np

from lineside.acoustics.indicators import lden_energy
from lineside.acoustics.levels import to_db
from lineside.engine.combine import OptionKey
from lineside.engine.option_courses import OptionCourses
from lineside.measures import DoseEffect
from lineside.results import options as model
from lineside.results.option_numbers import NIGHT, Numbers

#: Least reduction of the mean Lden that counts as an effect. [dB]
EFFECT_DB = 0.1


def in_time(courses: OptionCourses, key: OptionKey, numbers: Numbers, relation: DoseEffect | None) -> model.InTime:
    dates = courses.dates
    nothing, option = (to_db(lden_energy(courses.energy[k], numbers.hours)) for k in ((), key))
    weight = numbers.persons if numbers.persons.any() else np.ones(len(numbers.receivers))
    heard = np.isfinite(nothing).all(axis=0) & np.isfinite(option).all(axis=0)
    weight = np.where(heard, weight, 0.0)
    weight = weight / weight.sum() if weight.any() else weight
    mean_nothing, mean_option = (np.where(heard, level, 0.0) @ weight for level in (nothing, option))
    lower = np.flatnonzero(mean_nothing - mean_option >= EFFECT_DB)
    takes = int(lower[0]) if lower.size else None
    worn = None
    if takes is not None:
        later = np.flatnonzero(mean_nothing[takes:] - mean_option[takes] < EFFECT_DB)
        worn = takes + int(later[0]) if later.size else None
    avoided: dict[str, float] = {}
    if relation is not None:
        days = np.array([(d - dates[0]).days for d in dates], dtype=np.float64)
        for effect, indicator in relation.effects.items():
            levels = [
                to_db(lden_energy(courses.energy[k], numbers.hours))
                if indicator == "lden_db"
                else to_db(courses.energy[k][:, :, NIGHT])
                for k in ((), key)
            ]
            before, now = (relation.share(effect, level) @ numbers.persons for level in levels)
            avoided[effect] = round(float(np.trapezoid(before - now, days)), 1)
    return model.InTime(
        takes_effect=None if takes is None else dates[takes].isoformat(),
        worn_in_anyway=None if worn is None else dates[worn].isoformat(),
        avoided_days=avoided,
        until=dates[-1].isoformat(),
    )

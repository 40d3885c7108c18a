"""Marks on rails in time: figure F6.9."""

from __future__ import annotations

from lineside.figures.margin_chart import margin_chart, shown_marks
from lineside.figures.time_chart import MAX_TIME_PANELS
from lineside.figures.words import clean
from lineside.report.selection import sentences, service_names
from lineside.report.strings import Strings
from lineside.report.text import joined, metres
from lineside.report.views import Figure, drawn
from lineside.results.model import Results

FIGURE_ID = "F6.9"


def figure(results: Results, strings: Strings) -> Figure:
    """F6.9: marks above all other roughness of rail and wheels in time."""
    caption, timeline = strings("tones_in_time.figure"), results.timeline
    marks = shown_marks(results.tones.marks if results.tones is not None else ())
    if timeline is None or not marks:
        why = strings("time.none" if timeline is None else "tones.none")
        return Figure(FIGURE_ID, caption, "", "", 170.0, empty=why)

    def words(key: str, /, **values: object) -> str:
        return clean(strings(key, **values))

    names, shown = service_names(results), marks[:MAX_TIME_PANELS]
    picture = margin_chart(timeline, shown, words)
    places = [strings("tones.marks_at", track=m.track, from_m=metres(m.from_m), to_m=metres(m.to_m)) for m in shown]
    alt = strings("tones_in_time.alt", places=joined(places, "; "), first=timeline.dates[0], last=timeline.dates[-1])
    services = joined(dict.fromkeys(names.get(m.service, m.service) for m in shown), "; ")
    note = sentences(
        strings("tones_in_time.note", services=services),
        strings("tones_in_time.capped", shown=len(shown), total=len(marks)) if len(marks) > len(shown) else "",
    )
    return drawn(FIGURE_ID, caption, alt, picture, note)

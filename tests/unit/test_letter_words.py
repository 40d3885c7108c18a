"""The neighbour's letter in words: plain, whole numbers, no promise, nothing that contradicts the results."""

from __future__ import annotations

import base64
import copy
import re
import runpy
import tomllib
from importlib import resources
from pathlib import Path
from typing import Any

import pytest

import lineside
import reading
from lineside.letter import picture
from lineside.letter.addressees import Addressee, choose
from lineside.letter.done import build
from lineside.letter.index import Index
from lineside.letter.views import Letter
from lineside.letter.wording import catalogue, change_words, interval, kept_words, rounded
from lineside.results.model import Finding, Results

FIXTURE = runpy.run_path(str(Path(__file__).with_name("report_fixture.py")))
STRINGS = catalogue()
CATALOGUE = tomllib.loads(
    (resources.files("lineside_report") / "letter" / "strings" / "en.toml").read_text(encoding="utf-8")
)
CONTACT = {"name": "Track office", "phone": "01632 960 123", "email": None, "hours": "Monday", "address": []}
#: Words of the trade that a neighbour need not know, and symbols of acoustics.
JARGON = {
    "lden", "lnight", "lday", "levening", "laeq", "lafmax", "lae", "emission", "immission", "propagation",
    "receiver", "mechanism", "spectrum", "spectra", "octave", "roughness", "corrugation", "criterion", "criteria",
    "shapley", "a-weighted", "weighting", "tonal", "rating", "facade", "façade", "attenuation", "assessment",
    "uncertainty", "favourable", "chainage", "bogie", "ballast", "sleeper", "parameter", "scenario", "mixture",
    "logarithmic", "energy", "friction", "modifier", "impact", "traction", "aerodynamic", "exceedance",
    "mitigation", "compliance", "forecast",
}  # fmt: skip
#: A letter of a computation promises nothing.
PROMISES = (
    "we promise",
    "guarantee",
    "will be kept",
    "will be quiet",
    "we will make",
    "never be louder",
    "you will not",
)


def document(n: int = 4, **changes: Any) -> Results:
    results: Results = FIXTURE["build_results"](n, **changes)
    return results.model_copy(update={"project": {**results.project, "contact": CONTACT}})


def letters(results: Results, wanted: str | None = None) -> dict[str, Letter]:
    index = Index(results)
    chosen = choose(index, results.project, {}, wanted)
    return {a.id: build(index, a, STRINGS) for a in chosen.addressees}


def said(letter: Letter, head: str | None = None) -> str:
    """Paragraphs and items of a letter, one to a line, without its headings and tables."""
    parts = [p for p in letter.parts if head is None or p.head == STRINGS(f"head.{head}")]
    blocks = [b for p in parts for b in p.blocks if b.kind in ("text", "lead", "items", "picture")]
    return "\n".join(t for b in blocks for t in (b.text, *b.entries) if t)


def everything(letter: Letter) -> str:
    rows = [x for p in letter.parts for b in p.blocks for r in b.rows for x in (r.what, r.level, r.limit, r.kept)]
    alts = [b.alt for p in letter.parts for b in p.blocks]
    return "\n".join([letter.subject, letter.greeting, *(p.head for p in letter.parts), said(letter), *rows, *alts])


def at_day(results: Results, receiver: str, change_db: float) -> Results:
    """The results with another change since before the works, by the rule for limits, at the assessment date."""
    assert results.timeline is not None
    timeline = results.timeline.model_copy(deep=True)
    (line,) = [t for t in timeline.receivers if t.receiver == receiver]
    k, before = timeline.dates.index(timeline.assessment_date), line.before_db["lden"]
    assert before is not None
    line.levels_db["lden"]["likely"][k] = before + change_db
    return results.model_copy(update={"timeline": timeline})


def explained(results: Results, receiver: str, causes: dict[str, float]) -> Results:
    """The results with other causes of the change."""
    others = [e for e in results.explanations if e.receiver != receiver]
    (one,) = [e for e in results.explanations if e.receiver == receiver]
    start = 60.0
    changed = one.model_copy(
        update={
            "start_db": {**one.start_db, "lden": start},
            "end_db": {**one.end_db, "lden": start + sum(causes.values())},
            "causes": [
                one.causes[0].model_copy(update={"cause": n, "change_db": {"lden": v}}) for n, v in causes.items()
            ],
        }
    )
    return results.model_copy(update={"explanations": [changed, *others]})


def test_reads_like_lower_secondary_school() -> None:
    """Flesch-Kincaid grade: 9 is the end of lower secondary school; sentences of a line only, headings left out."""
    for letter in letters(document()).values():
        assert reading.grade(said(letter)) <= 7.0
        assert max(len(reading.words_of(s)) for s in reading.sentences_of(said(letter))) <= 30


@pytest.mark.parametrize("key", [f"{p}.{n}" for p, names in CATALOGUE.items() for n in names if p != "missing"])
def test_every_wording_is_plain(key: str) -> None:
    part, _, name = key.partition(".")
    wording = CATALOGUE[part][name]
    if len(reading.words_of(wording)) > 7:
        assert reading.grade(wording) <= 9.0
    words = {w.lower() for w in reading.words_of(re.sub(r"\{.*?\}", "", wording))}
    assert not words & JARGON
    assert not any(p in wording.lower() for p in PROMISES)


def test_jargon_and_promises_are_found_where_they_are() -> None:
    hard = (
        "The A-weighted immission at the receiver is attributable to anticipated corrugation of considerable amplitude."
    )
    assert reading.grade(hard) > 12
    assert {w.lower() for w in reading.words_of(hard)} & JARGON == {
        "a-weighted",
        "immission",
        "receiver",
        "corrugation",
    }


def test_the_measure_itself() -> None:
    # six words of one syllable in one sentence: 0.39 * 6 + 11.8 - 15.59, by hand
    assert reading.grade("The cat sat on the mat.") == pytest.approx(-1.45)


def test_every_number_of_decibels_is_whole_except_limits_as_given() -> None:
    for letter in letters(document()).values():
        assert re.findall(r"\d[.,]\d+ dB", everything(letter)) == []
        assert re.search(r"\d+ dB", everything(letter))


def test_has_all_parts_in_order() -> None:
    for letter in letters(document()).values():
        assert [p.head for p in letter.parts] == list(CATALOGUE["head"].values())


def test_says_computed_not_measured_and_who_decides() -> None:
    letter = letters(document())["R1"]
    assert "We did not measure" in said(letter, "done")
    assert "not decided by us, but by Town of Millgate" in said(letter, "loud")


def test_an_unknown_authority_is_not_named() -> None:
    results = document()
    results.project["identity"]["competent_authority"] = ""
    letter = letters(results)["R1"]
    assert "by the authority in charge." in said(letter, "loud") and "The authority in charge is" not in said(letter)


@pytest.mark.parametrize(
    ("change", "key"),
    [
        (0.4, "same"),
        (-0.4, "same"),
        (0.5, "louder_1"),
        (2.4, "louder_1"),
        (2.5, "louder_3"),
        (-5.4, "quieter_3"),
        (6.0, "louder_6"),
        (-9.6, "quieter_10"),
        (30.0, "louder_10"),
    ],
)
def test_words_of_a_change(change: float, key: str) -> None:
    """3 dB just noticed, 10 dB twice as loud: common practice, no source."""
    assert change_words(change, STRINGS) == STRINGS(f"before.{key}", by="")
    if key != "same":
        assert f"(by about {abs(rounded(change))} dB)" in change_words(change, STRINGS, by=True)


def test_halves_round_up_so_that_level_limit_and_difference_fit() -> None:
    for tenth in range(400, 700):
        level = tenth / 10
        assert rounded(level) - 53 == rounded(level - 53)


@pytest.mark.parametrize(
    ("verdict", "difference", "unsure", "words"),
    [
        ("above", 2.6, False, "No: 3 dB above"),
        ("above", 0.3, True, "No: just above, but too close to be sure"),
        ("above", 0.3, False, "No: just above"),
        ("above", 1.6, True, "No: 2 dB above, but too close to be sure"),
        ("borderline", -0.2, True, "Yes, but too close to be sure"),
        ("well below", -9.0, False, "Yes"),
    ],
)
def test_words_of_a_limit(verdict: Any, difference: float, unsure: bool, words: str) -> None:
    finding = (
        document()
        .findings[0]
        .model_copy(update={"verdict": verdict, "difference_db": difference, "within_uncertainty": unsure})
    )
    assert kept_words(finding, STRINGS) == words


@pytest.mark.parametrize(
    ("first", "last", "words"),
    [
        ("2027-02-01", "2027-09-30", "between early 2027 and late 2027"),
        ("2027-05-01", "2027-08-31", "in mid 2027"),
        ("2026-11-01", "2027-02-01", "between now and early 2027"),
        ("2027-01-01", "2028-01-01", "between early 2027 and early 2028"),
    ],
)
def test_an_interval_is_parts_of_years(first: str, last: str, words: str) -> None:
    assert interval(first, last, "2026-12-01", STRINGS) == words


def test_the_rule_and_what_is_heard_are_told_apart_where_they_differ() -> None:
    """By the rule louder, by what is heard quieter: a reader must not find both without a reason."""
    results = explained(at_day(document(), "R1", 3.2), "R1", {"friction": -4.4, "finish": 2.6})
    offers = results.provenance.offers
    forecast = offers[0].model_copy(update={"kind": "source (forecast)"})
    both = results.model_copy(
        update={"provenance": results.provenance.model_copy(update={"offers": [*offers, forecast]})}
    )
    text = said(letters(both)["R1"], "loud")
    assert STRINGS("before.louder_3", by="") in text and "fixed amount" in text
    assert STRINGS("before.quieter_1", by=" (by about 2 dB)") in text
    assert "fixed amount" not in said(letters(results)["R1"], "loud")


def test_causes_are_the_largest_ones_in_their_direction() -> None:
    causes = {"friction": -4.4, "finish": 2.6, "marks": 1.2, "joints": -0.6, "water": 0.3}
    letter = letters(explained(document(), "R1", causes))["R1"]
    (block,) = [b for p in letter.parts for b in p.blocks if b.text == STRINGS("hear.changed")]
    assert list(block.entries) == [
        STRINGS("change_down.friction", n=4),
        STRINGS("change_up.finish", n=3),
        STRINGS("change_up.marks", n=1),
    ]


def test_parts_of_the_sound_are_shares_of_its_energy() -> None:
    results = document(1)
    receiver = results.receivers[0]
    receiver.by_mechanism_db["lden"] = {"rolling": 60.0, "squeal": 60.0, "impact": 53.0103, "bridge": None}
    letter = letters(results)["R1"]
    (block,) = [b for p in letter.parts for b in p.blocks if b.text == STRINGS("picture.parts_note")]
    # 1 : 1 : 0.2 by hand
    assert block.alt.endswith("wheels that roll 45, squeal in curves 45, gaps and points in the track 9.")
    assert "A high squeal" in said(letter, "hear") and "rumble" not in said(letter, "hear")


def test_a_plugin_s_own_mechanism_and_cause_have_words() -> None:
    results = explained(document(1), "R1", {"fan": 3.0})
    results.receivers[0].by_mechanism_db["lden"] = {"fan": 60.0}
    text = said(letters(results)["R1"], "hear")
    assert STRINGS("hear.other") in text and STRINGS("change_up.other", n=3) in text


def test_differences_from_day_to_day() -> None:
    results = document(1)
    (water,) = [c for c in results.conditions if c.kind == "water"] or [results.conditions[0]]
    quiet, loud = water.states[0], water.states[-1]
    results.receivers[0].states_db.update({quiet.id: {"lden": 58.0}, loud.id: {"lden": 61.0}})
    assert "about 3 dB louder" in said(letters(results)["R1"], "hear")
    results.receivers[0].states_db.update({n: {"lden": 58.0} for n in results.receivers[0].states_db})
    assert STRINGS("hear.days") not in said(letters(results)["R1"], "hear")


def test_until_when_is_the_interval_of_the_time_line() -> None:
    results = document(1)
    assert results.timeline is not None
    timeline = results.timeline.model_copy(deep=True)
    near = next(r for r in timeline.receivers[0].returns if r.within_db == 1.0)
    near.dates.update({"low": "2027-02-10", "likely": "2027-06-01", "high": "2027-10-01"})
    near.reasons.update({"low": "", "likely": "", "high": ""})
    near.leaves.update({"low": None, "likely": None, "high": None})

    def text() -> str:
        return said(letters(results.model_copy(update={"timeline": timeline}))["R1"], "until")

    assert "some time between early 2027 and late 2027" in text()
    near.dates["low"] = "2027-07-01"  # the likely course may lie outside the draws
    assert "some time between mid 2027 and late 2027" in text()
    near.dates["high"] = None
    assert "longer than we looked ahead" in text()
    near.dates["likely"] = None
    assert "not be back near the level of before by" in text() and "some time" not in text().split("\n")[1]
    near.reasons["likely"] = "within it from the start"
    assert "at most 1 dB louder" in text()


def test_a_work_that_made_it_quieter_is_not_called_a_little_louder() -> None:
    results = document(1)
    assert results.timeline is not None
    line = results.timeline.receivers[0]
    next(r for r in line.returns if r.within_db == 1.0).reasons["likely"] = "within it from the start"
    assert STRINGS("until.little") in said(letters(results)["R1"], "until")
    line.fresh_db["likely"] = (line.before_db["lden"] or 0.0) - 2.0
    assert STRINGS("until.never_louder") in said(letters(results)["R1"], "until")


def test_without_time_line_or_works_no_date_is_given() -> None:
    silent = document(1, timeline=None)
    assert said(letters(silent)["R1"], "until") == STRINGS("until.none")
    site = silent.site.model_copy(update={"works": []})
    still = silent.model_copy(update={"site": site, "explanations": []})
    text = said(letters(still)["R1"])
    assert STRINGS("until.no_work", trains="trains") in text and "Before the work" not in text
    assert "no recent work" in text


def test_planned_works_are_not_told_as_done() -> None:
    results = document(1)
    work = results.site.works[0].model_copy(update={"date": "2027-04-05", "kind": "milling"})
    site = results.site.model_copy(update={"works": [work]})
    assert "April 2027 (in the plan): the rails were" not in said(letters(results)["R1"])
    assert "April 2027 (in the plan)" in said(letters(results.model_copy(update={"site": site}))["R1"], "done")


def test_silence_is_said() -> None:
    results = document(1)
    receiver = results.receivers[0]
    receiver.lden_db, receiver.by_mechanism_db["lden"], receiver.passes = None, {}, []
    receiver.period_db = dict.fromkeys(receiver.period_db)
    timeline = results.timeline.model_copy(update={"receivers": []}) if results.timeline else None
    silent = results.model_copy(update={"findings": [], "timeline": timeline, "explanations": [], "actions": []})
    letter = letters(silent)["R1"]
    assert "no sound of these trains reaches your home" in said(letter, "loud")


def test_words_for_trams_and_places() -> None:
    results = document(3)
    site = results.site.model_copy(deep=True)
    for track in site.tracks:
        track.kind = "tram"
    letter = letters(results.model_copy(update={"site": site}))["R3"]
    assert letter.subject == "How loud the trams are at Harbour School, south front"
    assert "at your school" in said(letter) and "When a tram goes by" in said(letter)
    assert not re.search(r"\btrains?\b", said(letter).lower())


def test_limits_of_the_project_come_first_and_advice_is_called_so() -> None:
    letter = letters(document())["R1"]
    (table,) = [b for p in letter.parts for b in p.blocks if b.kind == "limits"]
    advice = [k for k, r in enumerate(table.rows) if "advice, not law" in r.by]
    assert advice and all(k >= 1 for k in advice)
    results = document()
    for row, finding in zip(
        table.rows, [f for f in Index(results).findings["R1"] if f.criterion == "custom"], strict=False
    ):
        assert row.level == f"{rounded(finding.compared_db or 0)} dB"


def test_pictures_need_no_colour() -> None:
    course = picture.Course(
        ["2026-01-01", "2026-06-01", "2027-01-01"], [50.0, 51.0, None], [52.0, 55.0, 51.0], [53.0, 58.0, 52.0],
        51.5, 52.0, "before", "limit 52 dB", "dB",
    )  # fmt: skip
    drawn = [picture.in_time(course), picture.bars([("<wheels> & rails", 0.7, "70"), ("squeal", 0.3, "30")])]
    for one in drawn:
        svg = base64.b64decode(one.source.partition(",")[2]).decode()
        colours = set(re.findall(r"#([0-9a-f]{6})", svg))
        assert colours and all(c[:2] == c[2:4] == c[4:] for c in colours)
    assert "&lt;wheels&gt; &amp; rails" in svg
    lengths = [float(w) for w in re.findall(r'<rect [^>]*width="([\d.]+)"', svg)]
    assert lengths[0] / lengths[1] == pytest.approx(7 / 3, rel=1e-2)


def test_a_level_higher_in_the_picture_is_louder() -> None:
    course = picture.Course(
        ["2026-01-01", "2026-06-01", "2027-01-01"],
        [51.0] * 3,
        [52.0, 58.0, 54.0],
        [59.0] * 3,
        52.0,
        56.0,
        "b",
        "l",
        "dB",
    )
    svg = base64.b64decode(picture.in_time(course).source.partition(",")[2]).decode()
    (points,) = re.findall(r'<polyline points="([^"]+)"', svg)
    y = [float(p.split(",")[1]) for p in points.split()]
    assert y[1] < y[2] < y[0]
    ((_, limit, _width),) = [
        m for m in re.findall(r'x1="([\d.]+)" y1="([\d.]+)"[^>]*stroke-width="([\d.]+)"', svg) if m[2] == "1"
    ]
    assert y[1] < float(limit) < y[2]


def facades_at(results: Results, x: float, y: float, lden_db: float, name: str = "9 Mill Bank") -> Results:
    """The results with one building of 10 m by 10 m whose middle lies at a place."""
    corners = [(x - 5, y - 5), (x + 5, y - 5), (x + 5, y + 5), (x - 5, y + 5)]
    building = {
        "id": "H1", "name": name, "use": "dwelling", "area": None, "height_m": 6.0, "top_z_m": 6.0, "floors": 2,
        "absorption": [0.2] * 8, "dwellings": 1.0, "persons": 2.0, "rings": [corners],
    }  # fmt: skip
    old = results.findings[0]
    finding = old.model_copy(
        update={"receiver": "H1/2.1/0", "compared_db": lden_db, "difference_db": 20.0, "verdict": "above"}
    )
    levels = {
        "building": "H1", "n_receivers": 4, "highest_at": {"lden": "H1/2.1/0"},
        "highest_db": {"lden": lden_db, "day": lden_db - 2, "evening": lden_db - 4, "night": lden_db - 9},
        "quiet_facade": True, "lowest_front_db": 30.0, "findings": [finding.model_dump()],
    }  # fmt: skip
    columns: dict[str, Any] = {
        "id": ["H1/2.1/0"], "building": ["H1"], "facade": [2], "floor": [0], "x": [x], "y": [y - 5.1], "z": [4.0],
        "height_m": [4.0], "bearing_deg": [180.0], "length_m": [5.0], "lden_db": [lden_db],
        "period_db": {"day": [lden_db], "evening": [lden_db], "night": [lden_db]}, "front_lden_db": [lden_db],
        "share_lden": [1.0], "share_lnight": [1.0],
    }  # fmt: skip
    facades = {
        "receivers": columns, "buildings": [levels], "exposure": [], "dwellings": 1.0, "persons": 2.0,
        "other_dwellings": 0.0, "other_persons": 0.0, "bare": [], "left_out_db": 0.0,
    }  # fmt: skip
    dumped = results.model_dump()
    dumped["site"]["buildings"] = [building]
    return Results.model_validate({**dumped, "facades": facades})


def test_a_building_gets_the_level_of_its_loudest_facade() -> None:
    results = facades_at(document(2), 5000.0, 5000.0, 71.4)
    letter = letters(results, "H1")["H1"]
    text = said(letter)
    assert "it is 71 dB at your home" in text and STRINGS("loud.facade") in text and "62 dB in the night" not in text
    assert STRINGS("hear.none_before", place="your home") in text  # nothing in detail within reach
    assert "Bedrooms are best there" in text
    assert list(letters(results)) == ["R1", "R2", "H1"]
    assert list(letters(results, "H1/2.1/0")) == ["H1"]


def test_a_building_beside_a_receiver_is_told_of_it() -> None:
    results = document(1)
    at = results.receivers[0]
    letter = letters(facades_at(results, at.x + 35.0, at.y, 60.0), "H1")["H1"]
    assert "a spot about 30 m from your home" in said(letter, "hear")
    assert "a spot about 30 m from your home" in said(letter, "loud") and "(by about" in said(letter, "loud")
    assert "Before the work it was" not in said(letter)


def test_one_address_gets_one_letter_with_the_louder_level() -> None:
    results = document(2)
    at = results.receivers[0]
    both = facades_at(results, at.x + 6.0, at.y, 80.0)
    made = letters(both)
    assert list(made) == ["R1", "R2"]
    assert "it is 80 dB at your home" in said(made["R1"]) and STRINGS("loud.facade") in said(made["R1"])
    (table,) = [b for p in made["R1"].parts for b in p.blocks if b.kind == "limits"]
    assert "80 dB" in {r.level for r in table.rows}
    quieter = letters(facades_at(results, at.x + 6.0, at.y, 20.0))["R1"]
    assert STRINGS("loud.facade") not in said(quieter)
    assert list(letters(both, "H1")) == ["R1"]


def test_next_steps_and_reason_are_the_office_s_own_words() -> None:
    results = document(1)
    words = {"reason": "The rails were old.", "next_steps": ["We will look at the rails."]}
    own = results.model_copy(update={"project": {**results.project, "letter": words}})
    letter = letters(own)["R1"]
    assert "The rails were old." in said(letter, "done")
    assert said(letter, "next").startswith("We will look at the rails.")
    assert "This letter" in said(letter, "next")


def test_spots_are_those_that_count_here() -> None:
    results = document(4)
    action = results.actions[0]
    gains = [action.gains[0].model_copy(update={"receiver": "R2"})]
    here = [action.model_copy(update={"kind": "joints", "gains": gains})]
    made = letters(results.model_copy(update={"actions": here}))
    assert STRINGS("spot.joints") in said(made["R2"], "next")
    assert STRINGS("next.no_spot") in said(made["R1"], "next")


def test_each_finding_is_printed_once_and_the_worst_counts() -> None:
    results = document(1)
    index = Index(results)
    who = choose(index, results.project, {}, "R1").addressees[0]
    assert isinstance(who, Addressee)
    first: Finding = index.findings["R1"][0]
    worse = first.model_copy(update={"difference_db": (first.difference_db or 0) + 5, "compared_db": 99.0})
    index.findings["R1"].append(copy.deepcopy(worse))
    letter = build(index, who, STRINGS)
    (table,) = [b for p in letter.parts for b in p.blocks if b.kind == "limits"]
    assert [r.level for r in table.rows].count("99 dB") == 1


FOLDER = resources.files("lineside_report")
SOURCES = sorted((Path(lineside.__file__).parent / "letter").glob("*.py"))


def test_every_language_has_every_wording_with_the_same_places_to_fill() -> None:
    def shape(text: str) -> dict[str, set[str]]:
        parts = tomllib.loads(text)
        return {f"{p}.{n}": set(re.findall(r"\{(\w+)\}", w)) for p, names in parts.items() for n, w in names.items()}

    files = [f for f in (FOLDER / "letter" / "strings").iterdir() if f.name.endswith(".toml")]
    english = shape((FOLDER / "letter" / "strings" / "en.toml").read_text(encoding="utf-8"))
    assert len(english) > 150
    assert all(shape(f.read_text(encoding="utf-8")) == english for f in files)


@pytest.mark.parametrize("path", SOURCES, ids=lambda p: p.stem)
def test_every_wording_that_the_code_asks_for_exists(path: Path) -> None:
    asked = re.findall(r'(?:\bt|strings|setting|setting\.strings)\(\s*"([a-z_]+\.[a-z_0-9]+)"', path.read_text("utf-8"))
    assert [k for k in asked if not STRINGS.has(k)] == []


@pytest.mark.parametrize(
    ("part", "of_report"),
    [
        ("hear", "mechanism"),
        ("sound", "mechanism"),
        ("work", "work"),
        ("spot", "action"),
        ("days", "condition"),
        ("place", "use"),
        ("change_up", "cause"),
        ("change_down", "cause"),
        ("trains", "kind"),
    ],
)
def test_what_the_report_names_has_plain_words(part: str, of_report: str) -> None:
    report = tomllib.loads((FOLDER / "strings" / "en.toml").read_text(encoding="utf-8"))
    assert set(report[of_report]) <= set(CATALOGUE[part])

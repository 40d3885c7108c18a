"""Tones from the project file to the findings and the report: straight sites with marks on the rails."""

from __future__ import annotations

import csv
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from lineside.acoustics.bands import thirds_to_octaves
from lineside.acoustics.levels import a_weighted_energy, to_db, to_energy
from lineside.api import Assessment
from lineside.engine.tones import third_octaves
from lineside.errors import ProjectError
from lineside.report import context, tones
from lineside.report.strings import Strings
from lineside.results.model import ToneAtReceiver, Tones
from lineside.results.write import write_tables
from marked_sites import SURVEY, assess, site
from sites import straight_site

#: The exact third octave 25 mm (10^1.4 mm) lies in that of 630 Hz (10^2.8 Hz) at this speed.
IN_THE_MIDDLE_KM_H = 10**2.8 * 10**1.4 * 3.6e-3


def found_in(assessment: Assessment) -> Tones:
    assert assessment.results.tones is not None
    return assessment.results.tones


def at_receiver(assessment: Assessment) -> ToneAtReceiver:
    (found,) = found_in(assessment).at_receivers
    return found


def test_the_exact_bands_meet() -> None:
    assert pytest.approx(57.06, abs=0.005) == IN_THE_MIDDLE_KM_H


def test_marks_flag_the_receiver_and_change_the_verdict_by_the_adjustment(tmp_path: Path) -> None:
    plain = assess(site({"quantity": "lnight", "limit_db": 50}), tmp_path / "plain")
    (before,) = plain.results.findings
    assert before.level_db is not None and before.tone_found is None and before.compared_db == before.level_db
    limit = {"quantity": "lnight", "limit_db": round(before.level_db + 4.0, 1)}
    (kept,) = assess(site(limit), tmp_path / "kept").results.findings
    assert kept.verdict == "well below" and kept.difference_db == pytest.approx(-4.0, abs=0.1)
    toned = assess(site({**limit, **SURVEY}), tmp_path / "toned")
    (found,) = toned.results.findings
    assert found.level_db == kept.level_db and found.verdict == "above"
    assert found.tone_found and found.tone_bands_hz == [630.0] and found.tone_periods == ["night"]
    assert found.compared_db == pytest.approx(found.level_db + 5.0, abs=1e-9)  # once
    assert found.difference_db == pytest.approx((kept.difference_db or 0.0) + 5.0, abs=1e-9)
    heard = at_receiver(toned)
    assert (heard.band_hz, heard.fresh, heard.at_date, heard.flagged) == (630.0, "likely", "likely", True)
    assert heard.frequency_hz == pytest.approx((631.0, 631.0), abs=0.1) and heard.spread_ratio == 0.0
    assert at_receiver(plain).flagged is None


def test_without_marks_the_survey_finds_none_and_the_verdict_stays(tmp_path: Path) -> None:
    project = site({"quantity": "lnight", "limit_db": 50, **SURVEY}, details={"marks": False})
    (found,) = assess(project, tmp_path).results.findings
    assert found.tone_found is False and found.tone_adjustment_db == 0.0
    assert found.compared_db == found.level_db


def test_lden_and_windows_are_judged_by_their_own_time(tmp_path: Path) -> None:
    """All trains by night: the quiet hours of the day have no tone, and Lden rises as the night alone does."""
    project = site(
        {"quantity": "lden", "limit_db": 55, **SURVEY},
        {"quantity": "laeq", "limit_db": 55, "from_hour": 9, "to_hour": 17, **SURVEY},
        {"quantity": "laeq", "limit_db": 55, "from_hour": 22, "to_hour": 6, **SURVEY},
    )
    project["services"][0]["trains"] = {"kind": "per_period", "day": 0, "evening": 0, "night": 16}
    lden, by_day, by_night = assess(project, tmp_path).results.findings
    assert lden.tone_periods == ["night"] and lden.tone_adjustment_db == pytest.approx(5.0, abs=1e-3)
    assert by_day.level_db is None and by_day.tone_found is False
    assert by_night.tone_found and by_night.tone_periods == ["22:00 to 06:00"]


def test_a_tone_between_two_bands_is_likely_but_not_flagged_and_the_report_says_so(tmp_path: Path) -> None:
    """Half way between third octaves the survey sees two raised bands; the marks stand out all the same."""
    project = site({"quantity": "lden", "limit_db": 60, **SURVEY}, speed_km_h=57.06 * 10**0.05)
    assessment = assess(project, tmp_path)
    heard = at_receiver(assessment)
    assert (heard.fresh, heard.at_date, heard.flagged) == ("likely", "likely", False)
    assert (heard.over_neighbours_fresh_db or 0.0) < 5.0
    said = tones.hidden(assessment.results, Strings())
    assert said.startswith("At R a tone is likely") and "can hide a narrow tone" in said
    report = context.build(assessment.results, {}, (), Strings())
    assert said in report.tables["T6.17"].note
    assert any(said in sentence for block in report.summary for sentence in block.sentences)
    flagged = assess(site({"quantity": "lden", "limit_db": 60, **SURVEY}), tmp_path / "flagged")
    assert tones.hidden(flagged.results, Strings()) == ""


def test_report_shows_the_adjustment_in_the_findings(tmp_path: Path) -> None:
    results = assess(site({"quantity": "lden", "limit_db": 60, **SURVEY}), tmp_path).results
    report = context.build(results, {}, (), Strings())
    table = report.tables["T6.2"]
    row = next(row for row in table.rows if not row.group)
    assert row.cells[3].endswith(" †") and float(row.cells[3].removesuffix(" †")) == pytest.approx(
        float(row.cells[2]) + 5.0, abs=0.11
    )
    assert "† ISO 1996-2:2007, Annex D: third octaves 630 Hz (day, evening, night), +5 dB: R Lden." in table.note
    assert (
        "tones were looked for, as the criterion asks: 1; found, and the level raised by the adjustment: 1"
        in " ".join(s for b in report.summary for s in b.sentences)
    )
    facts = dict(report.criteria[0].facts)
    assert "level +5 dB where a tone is found" in facts["As set in the project"]
    assert "tones would count twice" in facts["Caution"]
    assert "from memory" in report.criteria[0].text
    assert report.tables["T6.17"].rows[0].cells[-1] == "tone"


def test_worn_marks_are_told_from_fresh_ones(tmp_path: Path) -> None:
    project = site({"quantity": "lden", "limit_db": 60, **SURVEY})
    project["identity"]["assessment_dates"] = ["2027-06-01"]
    heard = at_receiver(worn := assess(project, tmp_path))
    assert heard.fresh == "likely" and heard.at_date == "possible"  # in the high case only
    assert (heard.over_neighbours_at_date_db or 0.0) < (heard.over_neighbours_fresh_db or 0.0) - 3.0
    assert heard.flagged is False and worn.results.findings[0].tone_found is False


def test_fresh_is_the_day_after_the_work_that_left_marks(tmp_path: Path) -> None:
    """A later work that leaves the surface as it is makes nothing fresh."""
    tamping = {"date": "2027-02-01", "kind": "tamping", "track": "T", "from_m": 0, "to_m": 1000}
    alone, both = assess(site(), tmp_path / "a"), assess(site(works=[tamping]), tmp_path / "b")
    for found in (alone, both):
        (marks,) = found_in(found).marks
        assert marks.fresh_date == "2026-09-02"
        # the assessment date is that day: both states are the same
        heard = at_receiver(found)
        assert heard.over_neighbours_fresh_db == heard.over_neighbours_at_date_db


def test_rough_wheels_hide_marks(tmp_path: Path) -> None:
    disc = assess(site(marks_db=4.0), tmp_path / "disc")
    iron = assess(site(marks_db=4.0, wheels="cast_iron_block"), tmp_path / "iron")
    assert at_receiver(disc).fresh == "likely" and at_receiver(iron).fresh == "unlikely"
    (smooth,), (rough,) = found_in(disc).marks, found_in(iron).marks
    # Directive 2002/49/EC, Table G-1: disc -7.0 dB, cast iron 7.5 dB at 25 mm
    assert (smooth.wheel_roughness_db, rough.wheel_roughness_db) == (-7.0, 7.5)
    assert rough.margin_fresh_db["likely"] == pytest.approx(
        4.0 - 10 * np.log10(10**0.75 + rail_energy(smooth)), abs=0.2
    )


def rail_energy(marks: Any) -> float:
    """Energy of the rail without marks at 25 mm, from the margin under smooth wheels."""
    return float(10 ** ((4.0 - marks.margin_fresh_db["likely"]) / 10) - 10**-0.7)


def test_speeds_that_change_smear_the_tone(tmp_path: Path) -> None:
    project = site()
    project["stops"] = [{"id": "halt", "at": [{"track": "T", "chainage_m": 500}]}]
    project["services"][0]["pattern"] = {
        "kind": "calls",
        "at": ["halt"],
        "dwell_s": 20,
        "acceleration_m_s2": 0.8,
        "braking_m_s2": 0.8,
    }
    heard = at_receiver(assess(project, tmp_path))
    low, high = heard.frequency_hz
    assert heard.spread_ratio > 0.2 and heard.fresh == "possible"
    assert low < 560.0 and high - low == pytest.approx(heard.spread_ratio * (low + high) / 2, rel=0.01)


def test_spectra_add_up_to_the_levels(tmp_path: Path) -> None:
    """Third octaves sum to the octaves of the levels, and the windows to theirs."""
    window = {"quantity": "laeq", "limit_db": 55, "from_hour": 20, "to_hour": 8, **SURVEY}
    assessment = assess(site(window), tmp_path)
    computed, scene = assessment.computed, assessment.built.scene
    thirds = third_octaves(scene, computed.emission, computed.receivers.transfer, computed.windows)
    np.testing.assert_allclose(thirds_to_octaves(thirds.period), computed.receivers.spectrum, rtol=1e-10)
    np.testing.assert_allclose(
        a_weighted_energy(thirds_to_octaves(thirds.windows)), computed.receivers.windows, rtol=1e-10
    )
    # one pass per second would be its exposure: 16 trains in 8 hours of night
    np.testing.assert_allclose(thirds.period[:, 2], thirds.passes[:, 0, 2] * 16 / (8 * 3600), rtol=1e-10)
    stored = {s.period: s.leq_db for s in found_in(assessment).third_octaves}
    assert list(stored) == ["day", "evening", "night", "20:00 to 08:00"]
    level = to_db(a_weighted_energy(thirds_to_octaves(to_energy(np.array(stored["20:00 to 08:00"], dtype=float)))))
    assert float(level) == pytest.approx(assessment.results.findings[0].level_db, abs=0.01)


def test_a_survey_needs_no_works(tmp_path: Path) -> None:
    project = straight_site(500.0)
    limit = {"quantity": "lden", "limit_db": 55, **SURVEY}
    project["criteria"] = [{"name": "custom", "options": {"title": "P", "source": "x", "limits": [limit]}}]
    results = assess(project, tmp_path).results
    assert results.findings[0].tone_found is False and results.timeline is None
    assert results.tones is not None and (results.tones.marks, results.tones.at_receivers) == ([], [])
    assert assess(straight_site(500.0), tmp_path / "none").results.tones is None


def test_a_project_that_asks_for_tones_in_a_single_pass_is_refused_with_its_place(tmp_path: Path) -> None:
    with pytest.raises(ProjectError) as caught:
        assess(site({"quantity": "lafmax", "limit_db": 75, **SURVEY}), tmp_path)
    text = "\n".join(str(p) for p in caught.value.problems)
    assert "criteria[1]" in text and "limits[1]" in text and "leave tone out" in text


def test_tables_hold_tones_and_spectra(tmp_path: Path) -> None:
    assessment = assess(site({"quantity": "lden", "limit_db": 60, **SURVEY}), tmp_path)
    write_tables(assessment.results, tmp_path / "tables")

    def rows(name: str) -> list[dict[str, str]]:
        with (tmp_path / "tables" / f"{name}.csv").open(newline="", encoding="utf-8") as file:
            return list(csv.DictReader(file))

    (tone,) = rows("tones")
    heard = at_receiver(assessment)
    assert (tone["receiver"], float(tone["band_hz"]), tone["fresh"], tone["flagged"]) == ("R", 630.0, "likely", "True")
    assert float(tone["over_neighbours_fresh_db"]) == heard.over_neighbours_fresh_db
    (finding,) = rows("findings")
    assert (finding["tone_bands_hz"], finding["tone_periods"]) == ("630.0", "day; evening; night")
    spectra = rows("third_octaves")
    assert [row["period"] for row in spectra] == ["day", "evening", "night"]
    assert float(spectra[2]["leq_630_hz_db"]) == found_in(assessment).third_octaves[2].leq_db[11]

"""A small site with two buildings and a layer, from the project folder to the PDF."""

from __future__ import annotations

import json
from pathlib import Path

import pypdfium2
from click.testing import CliRunner
from shapely import box

from house_files import geopackage, rectangle
from lineside.cli import main
from lineside.results.model import Results
from sites import straight_site, write_site


def test_a_site_with_buildings_gives_a_report_of_its_facades(tmp_path: Path) -> None:
    site = straight_site(half_length_m=300.0)
    site["site"]["coordinates"] = {"kind": "local"}
    site["buildings"] = [
        {"id": "School", "polygon": rectangle(40, 15, 12, 9), "height_m": 7, "use": "school", "area": "residential"}
    ]
    site["building_files"] = [
        {
            "id": "town",
            "file": "town.gpkg",
            "height_attribute": "h",
            "use_attribute": "kind",
            "uses": {"1000": "dwelling"},
            "area": "residential",
            "persons_total": 12,
            "dwellings_total": 6,
        }
    ]
    site["facade_receivers"] = [{"uses": ["dwelling"], "heights": "every_floor"}, {"buildings": ["School"]}]
    site["criteria"] = [{"name": "who_2018"}, {"name": "de_16bimschv"}]
    folder = write_site(site, tmp_path / "site")
    houses = [(box(-10, 20, 0, 30), {"h": 6.0, "kind": "1000"}), (box(0, 20, 10, 30), {"h": 9.0, "kind": "1000"})]
    (folder / "town.gpkg").write_bytes(geopackage({"houses": houses}, srs=-1))
    out = tmp_path / "out"
    found = CliRunner().invoke(main, ["assess", str(folder), "--out", str(out)])
    assert found.exit_code == 0, found.output
    results = Results.model_validate(json.loads((out / "results.json").read_text(encoding="utf-8")))
    facades = results.facades
    assert facades is not None
    assert [b.building for b in facades.buildings] == ["School", "1", "2"]
    assert [b.n_receivers for b in facades.buildings] == [10, 6 * 3, 6 * 4], "4 m and each floor; one wall is shared"
    assert [round(b.persons, 3) for b in results.site.buildings] == [0.0, 4.8, 7.2], "by volume: 600 and 900 m3"
    for quantity in ("lden", "lnight"):
        bands = [b for b in facades.exposure if b.quantity == quantity]
        assert abs(sum(b.persons for b in bands) - 12) < 1e-5 and abs(sum(b.dwellings for b in bands) - 6) < 1e-5
    with pypdfium2.PdfDocument(out / "assessment.pdf") as pdf:
        text = "\n".join(page.get_textpage().get_text_range() for page in pdf)
    for words in (
        "T2.2 Buildings",
        "T6.4 Highest levels at the facades",
        "T6.5 Dwellings and persons",
        "T6.6 Limits",
    ):
        assert words in text
    assert "School/1.2/4m" not in text, "receivers on facades stand in files, not in the tables of receivers"
    assert (out / "tables" / "facades.csv").read_text(encoding="utf-8").count("\n") == 1 + 10 + 18 + 24

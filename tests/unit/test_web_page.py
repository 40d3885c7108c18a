"""The web page as a file: what it holds, what it forbids, what cannot break out of it."""

from __future__ import annotations

import base64
import hashlib
import json
import re
from html.parser import HTMLParser
from importlib import resources
from typing import Any

import pytest

from lineside.figures.words import clean
from lineside.report.strings import Strings
from lineside.results.model import Results
from lineside.results.write import results_bytes
from lineside.web import options
from lineside.web.page import DETAILED
from web_site import HOSTILE, considered, hostile, many_facades, page, plain

WEB = resources.files("lineside_report") / "web"
WORDS = Strings("web_en")


class Reader(HTMLParser):
    """Elements with their attributes, and the text of each script and style."""

    def __init__(self, text: str) -> None:
        super().__init__(convert_charrefs=True)
        self.elements: list[tuple[str, dict[str, str | None]]] = []
        self.blocks: list[tuple[str, str]] = []
        self._inside = ""
        self.feed(text)

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.elements.append((tag, dict(attrs)))
        self._inside = tag if tag in ("script", "style") else ""

    def handle_endtag(self, tag: str) -> None:
        self._inside = ""

    def handle_data(self, data: str) -> None:
        if self._inside:
            self.blocks.append((self._inside, data))


def data_of(text: str) -> dict[str, Any]:
    found = re.search(r'<script type="application/json" id="data">(.*?)</script>', text, re.S)
    assert found is not None
    return dict(json.loads(found[1]))


@pytest.fixture(scope="module")
def results() -> Results:
    return plain()


@pytest.fixture(scope="module")
def text(results: Results) -> str:
    return page(results)


def test_the_same_document_gives_the_same_bytes(results: Results, text: str) -> None:
    assert page(Results.model_validate_json(results_bytes(results))) == text


def test_the_policy_forbids_the_network_and_knows_only_our_script_and_style(text: str) -> None:
    read = Reader(text)
    policy = next(a["content"] for t, a in read.elements if a.get("http-equiv") == "Content-Security-Policy")
    assert policy is not None
    rules = dict(rule.strip().split(" ", 1) for rule in policy.split(";"))
    assert rules["default-src"] == "'none'"
    assert rules["font-src"] == rules["img-src"] == "data:"
    assert "unsafe" not in policy and "http" not in policy and "connect-src" not in policy
    _, script = read.blocks[-1]
    style = next(body for kind, body in read.blocks if kind == "style")
    for name, body in (("script-src", script), ("style-src", style)):
        assert rules[name] == f"'sha256-{base64.b64encode(hashlib.sha256(body.encode()).digest()).decode()}'"
    # nothing of the page may come before the policy
    assert [t for t, _ in read.elements].index("meta") < [t for t, _ in read.elements].index("style")


@pytest.mark.parametrize("make", [plain, hostile, many_facades])
def test_nothing_points_out_of_the_file(make: Any) -> None:
    text = page(make())
    read = Reader(text)
    assert sum(t == "script" for t, _ in read.elements) == 2
    assert not {"img", "iframe", "object", "embed", "form", "base", "audio", "video"} & {t for t, _ in read.elements}
    for tag, attributes in read.elements:
        assert not [name for name in attributes if name.startswith("on") or name in ("style", "src", "srcset")], tag
        for name in ("href", "xlink:href"):
            assert (attributes.get(name) or "#").startswith(("#", "data:,")), attributes
    addresses = set(re.findall(r"\bhttps?://[^\s\"'<>)]+", text))
    assert addresses <= {"http://www.w3.org/2000/svg"}
    urls = re.findall(r"url\(([^)]{0,30})", text)
    assert all(u.startswith(("#hatch", '"data:font/woff;base64,')) for u in urls), urls


def test_hostile_names_stay_text() -> None:
    text = page(hostile())
    read = Reader(text)
    data = data_of(text)
    shown = clean(HOSTILE)
    assert data["receivers"][0]["name"] == shown
    assert data["receivers"][1]["name"] == "__proto__"
    block = next(body for kind, body in read.blocks if kind == "script")
    assert not set("<>&\u2028\u2029") & set(block)
    assert "window.hit=1</script>" not in text
    assert "49" not in next(line for line in text.splitlines() if line.startswith("<title>"))


def test_levels_margins_and_limits_are_those_of_the_document(results: Results, text: str) -> None:
    data = data_of(text)
    order = ["lden", *(p.name for p in results.periods)]
    for entry, r in zip(data["receivers"], results.receivers, strict=True):
        levels = {"lden": r.lden_db, **r.period_db}
        assert entry["levels"] == [float(f"{levels[q]:.1f}") for q in order]
        own = [f for f in results.findings if f.receiver == r.id]
        assert [f["limit"] for f in entry["findings"]] == [f"{f.limit_db:g}" if f.limit_db else "–" for f in own]
        assert entry["excess"] == max(f.difference_db for f in own if f.difference_db is not None)
        mechanisms = r.by_mechanism_db["lden"]
        expected = sorted((f"{v:.1f}" for v in mechanisms.values() if v is not None), key=float)
        assert sorted((f"{row[1]:.1f}" for row in entry["parts"][0]), key=float) == expected


def test_time_lines_are_those_of_the_document(results: Results, text: str) -> None:
    data = data_of(text)
    timeline = results.timeline
    assert timeline is not None
    assert data["time"]["dates"] == timeline.dates
    by_id = {t.receiver: t for t in timeline.receivers}
    for entry in data["receivers"]:
        first = entry["time"]["series"][0]
        for values, case in zip(first["cases"], ("low", "likely", "high"), strict=True):
            levels = by_id[entry["id"]].levels_db["lden"][case]
            assert values == [None if v is None else float(f"{v:.1f}") for v in levels]


def test_check_sums_and_versions_are_printed(results: Results, text: str) -> None:
    assert results.provenance.project_sha256 in text
    assert hashlib.sha256(results_bytes(results)).hexdigest() in text
    assert f"lineside {results.provenance.lineside_version}" in text
    for offer in results.provenance.offers:
        assert offer.title in text


def test_only_the_loudest_receivers_carry_everything_and_the_page_grows_slowly() -> None:
    small, large = plain(200), plain(600)
    entries = data_of(page(large))["receivers"]
    assert sum("time" in e for e in entries) == DETAILED == sum("passes" in e for e in entries)
    loudest = sorted(large.receivers, key=lambda r: (-(r.lden_db or 0.0), r.id))[:DETAILED]
    assert {e["id"] for e in entries if "time" in e} == {r.id for r in loudest}
    each = (len(page(large)) - len(page(small))) / 400
    assert each < 2500  # bytes for a receiver beyond the first 200


def test_two_thousand_receivers_on_facades_make_a_small_file() -> None:
    assert len(page(many_facades())) < 600_000


def test_the_script_uses_all_of_its_words_and_no_others() -> None:
    script = (WEB / "page.js").read_text(encoding="utf-8")
    used = set(re.findall(r"\bt\.(\w+)", script)) | {f"by_{k}" for k in range(3)}
    assert used == {key.removeprefix("js.") for key in WORDS.all_keys() if key.startswith("js.")}


def test_the_templates_and_python_use_all_other_words() -> None:
    import lineside.web

    sources = [p.read_text(encoding="utf-8") for p in WEB.iterdir() if p.name.endswith(".j2")]
    package = resources.files(lineside.web)
    sources += [p.read_text(encoding="utf-8") for p in package.iterdir() if p.name.endswith(".py")]
    whole = " ".join(sources)
    made = ("js.", "verdict.", "short.", "tally.", "cautions.kind_")  # put together from their parts
    unused = {k for k in WORDS.all_keys() if not k.startswith(made) and f'"{k}"' not in whole}
    assert not unused


def test_options_are_shown_in_their_order_with_reasons(results: Results) -> None:
    document = considered(results)
    panel = options.panel(document, Strings(), WORDS)
    assert panel is not None
    only = panel.ordered[0]
    facts = dict(only.facts)
    assert only.reason == "Cheapest for what it gives."
    assert facts["Lden lower by"] == "2.0 dB on average (−0.1 to 3.5 dB)"
    assert (
        facts["Above the limit of LAeq, 22-06 h, Environmental noise guidelines, railway noise"]
        == "3 receivers instead of 7; 12 dwellings remain"
    )
    assert document.options is not None
    above = document.options.options[0].above
    above[0] = above[0].model_copy(update={"dwellings": 0, "dwellings_before": 0})
    bare = options.panel(document, Strings(), WORDS)
    assert bare is not None and "3 receivers instead of 7" in dict(bare.ordered[0].facts).values()
    assert facts["Cost, present value"].replace("\u202f", " ") == "120 000 EUR (90 000 to 150 000)"
    assert facts["Works from"] == "March 2027"
    assert only.conditions == ("Approval of the track", "Needs a clean foot of the rail")
    assert options.levels(document) == [{"title": "Rail dampers <b>", "lden": {results.receivers[0].id: 51.3}}]
    text = page(document)
    assert "Rail dampers &lt;b&gt;" in text and 'href="#options"' in text
    assert data_of(text)["options"][0]["lden"] == {results.receivers[0].id: 51.3}


def test_without_measures_there_is_no_panel(results: Results, text: str) -> None:
    assert options.panel(results, Strings(), WORDS) is None
    assert 'id="options"' not in text


@pytest.mark.parametrize(
    "changes",
    [
        {"timeline": None},
        {"grid": None, "explanations": []},
        {"findings": []},
        {"tones": None, "notes": []},
    ],
    ids=str,
)
def test_documents_without_a_part_make_a_page(changes: dict[str, Any]) -> None:
    document = plain(3).model_dump()
    document.update(changes)
    data = data_of(page(Results.model_validate(document)))
    assert len(data["receivers"]) == 3

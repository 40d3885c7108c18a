"""JSON Schema of the project file, for editors: with the names and options that the loaded plugins offer."""

from __future__ import annotations

import copy
from collections.abc import Mapping
from typing import Any

from lineside.project.model import FORMAT_VERSION, Project
from lineside.project.ranges import RangeInput, elsewhere
from lineside.project.vocabulary import ATTRIBUTES, MAY_BE_NONE, Vocabulary

DIALECT = "https://json-schema.org/draft/2020-12/schema"
Schema = dict[str, Any]


def project_schema(vocabulary: Vocabulary | None = None) -> Schema:
    """JSON Schema (2020-12) of a project file.

    Parameters
    ----------
    vocabulary : Vocabulary, optional
        What the loaded plugins offer. With it, names are closed lists with their meanings, and options have the
        schemas of their models; without it any text passes.
    """
    schema: Schema = Project.model_json_schema(by_alias=True)
    for node in [schema, *schema["$defs"].values()]:
        _without_titles(node)
        for name, given in node.get("properties", {}).items():
            _describe_branches(name, given)
    schema = {"$schema": DIALECT, "title": f"lineside project file, version {FORMAT_VERSION}", **schema}
    if vocabulary is not None:
        _add_names(schema["$defs"], vocabulary)
        _add_options(schema, vocabulary)
    _add_ranges(schema)
    return schema


def _add_ranges(schema: Schema) -> None:
    """A range may stand wherever a number of an input does."""
    defs, seen = schema["$defs"], set()
    own = RangeInput.model_json_schema()
    _without_titles(own)

    def offer(node: Schema) -> None:
        if "$ref" in node:
            enter(node["$ref"].rsplit("/", 1)[1])
        for key in ("anyOf", "oneOf", "prefixItems"):
            for inner in list(node.get(key, ())):
                offer(inner)
        for key in ("items", "additionalProperties"):
            if isinstance(node.get(key), dict):
                offer(node[key])
        if node.get("type") == "number":
            number = {key: node.pop(key) for key in list(node) if key not in ("description", "default")}
            node["anyOf"] = [number, {"$ref": "#/$defs/RangeInput"}]

    def enter(name: str) -> None:
        if name in seen or "likely" in defs[name].get("properties", {}):
            return
        seen.add(name)
        offer(defs[name])
        for given in defs[name].get("properties", {}).values():
            offer(given)

    for name, given in schema["properties"].items():
        if name != "calculation" and not elsewhere((name,)):
            offer(given)
    for given in defs["Calculation"]["properties"]["options"].get("properties", {}).values():
        for inner in given.get("properties", {}).values():
            offer(inner)
    defs["RangeInput"] = own


def _without_titles(node: Schema) -> None:
    """Titles made from names of code say nothing to a reader."""
    node.pop("title", None)
    for given in node.get("properties", {}).values():
        given.pop("title", None)


def _describe_branches(name: str, given: Schema) -> None:
    """A description inside a nullable branch belongs to the whole."""
    for branch in given.get("anyOf", ()):
        if "description" in branch and "description" not in given:
            given["description"] = branch.pop("description")
        # a branch of branches (class or spectrum, or null) reads better flat
    flat = [inner for branch in given.get("anyOf", ()) for inner in branch.get("anyOf", [branch])]
    if flat:
        given["anyOf"] = flat


def _terms(meanings: Mapping[str, str]) -> Schema:
    return {"oneOf": [{"const": name, "description": text or name} for name, text in meanings.items()]}


def _add_names(defs: Schema, vocabulary: Vocabulary) -> None:
    for model in ("TrackAttributes", "Stretch", "WorkChanges", "Vehicle"):
        for attribute in ATTRIBUTES:
            if attribute not in defs[model]["properties"]:
                continue
            known = dict(vocabulary.terms.get(attribute, {}))
            if attribute in MAY_BE_NONE:
                known["none"] = "without"
            _restrict(defs[model]["properties"][attribute], known)
    surfaces = {name: f"G = {g:g}: {meaning}" for name, (g, meaning) in vocabulary.surfaces.items()}
    for model in ("Ground", "GroundArea"):
        _restrict(defs[model]["properties"]["surface"], surfaces)
    calculation = defs["Calculation"]["properties"]
    _restrict(calculation["method"], vocabulary.methods)
    for key in ("without", "with", "forecast_with"):
        calculation[key]["items"] = {"enum": sorted(vocabulary.calculators)}
    calculation["forecast_with"]["items"] = {"enum": sorted(set(vocabulary.calculators) - vocabulary.propagations)}
    _restrict(defs["RailState"]["properties"]["name"], {name: "" for name in vocabulary.rail_states})


def _restrict(given: Schema, known: Mapping[str, str]) -> None:
    """Replace "any text" by a closed list; without any name only the other branches stay."""
    if "anyOf" in given:
        others = [branch for branch in given["anyOf"] if branch.get("type") != "string"]
        given["anyOf"] = ([_terms(known)] if known else []) + others
    else:
        for key in ("type", "minLength", "maxLength"):
            given.pop(key, None)
        given.update(_terms(known) if known else {"not": {}})


def _add_options(schema: Schema, vocabulary: Vocabulary) -> None:
    defs = schema["$defs"]
    options = defs["Calculation"]["properties"]["options"]
    options.pop("additionalProperties", None)
    options["properties"] = {
        name: _options_schema(f"options_{name}", model, defs) for name, model in sorted(vocabulary.calculators.items())
    }
    options["additionalProperties"] = False
    for k, (part, key) in enumerate((("RailState", "options"), ("Work", "details"))):
        given = defs[part]["properties"][key]
        given.pop("additionalProperties", None)
        given["anyOf"] = [
            _options_schema(f"{key}_{name}", models[k], defs) for name, models in sorted(vocabulary.rail_states.items())
        ] or [{}]
    uses = []
    for name, model in sorted(vocabulary.criteria.items()):
        use = copy.deepcopy(defs["CriterionUse"])
        use["properties"]["name"] = {
            "const": name,
            "description": use["properties"]["name"]["description"],
        }
        use["properties"]["options"] = _options_schema(f"criterion_{name}", model, defs)
        if use["properties"]["options"].get("required"):
            use["required"] = [*use["required"], "options"]
        uses.append(use)
    schema["properties"]["criteria"]["items"] = {"oneOf": uses} if uses else False
    _add_measures(schema, vocabulary)
    defs.pop("CriterionUse")


def _add_measures(schema: Schema, vocabulary: Vocabulary) -> None:
    defs, uses = schema["$defs"], []
    for name, measure in sorted(vocabulary.measures.items()):
        use = copy.deepcopy(defs["MeasureUse"])
        use["properties"]["measure"] = {"const": name, "description": measure.title}
        use["properties"]["options"] = _options_schema(f"measure_{name}", measure.options_model, defs)
        if use["properties"]["options"].get("required"):
            use["required"] = [*use["required"], "options"]
        uses.append(use)
    schema["properties"]["measures"]["items"] = {"oneOf": uses} if uses else False
    defs.pop("MeasureUse")
    sections = vocabulary.report_sections
    schema["properties"]["report_sections"]["items"] = _terms(sections) if sections else {"not": {}}
    _restrict(defs["OptionRules"]["properties"]["dose_effect"], vocabulary.dose_effects)


def _options_schema(prefix: str, model: type, defs: Schema) -> Schema:
    """Schema of an options model; its own definitions move into those of the project."""
    given: Schema = model.model_json_schema(ref_template=f"#/$defs/{prefix}.{{model}}")  # type: ignore[attr-defined]
    for name, inner in given.pop("$defs", {}).items():
        _without_titles(inner)
        defs[f"{prefix}.{name}"] = inner
    _without_titles(given)
    return given

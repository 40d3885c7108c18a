"""Buildings as a project file describes them: one by one, or as a layer of a file; and receivers on their facades."""

from __future__ import annotations

from typing import Annotated, Any, Literal

from pydantic import BeforeValidator, Field, model_validator
from pydantic_core import PydanticCustomError

from lineside.project.site import inline_or_feature
from lineside.project.types import XY, FileName, Flag, Height, Id, Line, Number, Part, Text, Whole

#: Share of the sound energy that walls absorb where the project says nothing: about 1 dB is lost. Common practice, and
#: near the 1 dB that 16. BImSchV, Annex 2, table 18 gives for walls of buildings with windows.
DEFAULT_ABSORPTION = 0.2
#: Height of a floor where only one of height and number of floors is known; Directive (EU) 2015/996, (2.8.4) and
#: (2.8.10). [m]
FLOOR_M = 3.0
#: A listed receiver this near a wall stands at a facade: the sound that this wall throws back is left out. Judged, no
#: source; facade receivers of the EU method stand at 0.1 m and quiet facades are looked for at 2 m. [m]
AT_FACADE_M = 2.0

BuildingUse = Literal["dwelling", "hospital", "school", "care_home", "office", "other"]
Area = Literal["residential", "mixed", "commercial"]

_Absorbed = Annotated[Number, Field(ge=0, lt=1)]


def _absorption(value: Any) -> Any:
    octaves = value if isinstance(value, list | tuple) else [value]
    plain = all(isinstance(v, int | float) and not isinstance(v, bool) and 0 <= v < 1 for v in octaves)
    if not plain or (isinstance(value, list | tuple) and len(value) != 8):
        raise PydanticCustomError("absorption", "must be a share of the sound energy")
    return value


#: One share for all octaves, or one for each.
_Absorption = Annotated[
    _Absorbed | Annotated[tuple[_Absorbed, ...], Field(min_length=8, max_length=8)], BeforeValidator(_absorption)
]
_BuildingHeight = Annotated[Number, Field(gt=0, le=1000)]
_Floors = Annotated[Whole, Field(ge=1, le=300)]
_Dwellings = Annotated[Number, Field(ge=0, le=100_000)]
_Persons = Annotated[Number, Field(ge=0, le=1_000_000)]

_USE = "What is in it: `dwelling`, `hospital`, `school`, `care_home`, `office` or `other`"
_AREA = "Kind of area in planning law: `residential`, `mixed`, `commercial`. Default null"
_ABSORPTION = (
    "Share of the sound energy that the walls absorb, 0 to below 1: one number, or eight for the octaves 63 Hz to 8 kHz"
)


class Building(Part):
    """A building with a flat roof."""

    id: Id = Field(description="Id, unique among the buildings")
    name: Text = Field(default="", description="Name or address for the report. Default empty: the id is printed")
    polygon: Annotated[tuple[XY, ...], Field(min_length=3)] | None = Field(
        default=None, description="Corners [x, y] of the footprint in order, at least three [m]"
    )
    file: FileName | None = Field(
        default=None, description="Instead of polygon: GeoJSON file with a Polygon or MultiPolygon"
    )
    feature: Id | None = Field(default=None, description="With file: the feature's id, or its properties.id")
    height_m: _BuildingHeight | None = Field(
        default=None,
        description="Height above the lowest ground along the footprint [m], above 0 to 1000. Default: 3 m a floor",
    )
    top_z_m: Height | None = Field(default=None, description="Instead of height_m: absolute height of the top [m]")
    floors: _Floors | None = Field(
        default=None, description="Floors, 1 to 300. Default: one for each 3 m of height, (2.8.10) of the EU method"
    )
    absorption: _Absorption = Field(
        default=DEFAULT_ABSORPTION, description=f"{_ABSORPTION}. Default 0.2: an assumption"
    )
    use: BuildingUse = Field(description=_USE)
    area: Area | None = Field(default=None, description=_AREA)
    dwellings: _Dwellings = Field(default=0.0, description="Number of dwellings. Default 0")
    persons: _Persons = Field(default=0.0, description="Number of persons who live in it. Default 0")
    dwelling_facades: Literal["several", "one"] = Field(
        default="several",
        description="Facades that one dwelling has: `several` (or not known), so that all count at the louder half of "
        "the receivers; `one`, so that they are shared out by length of facade. Default several",
    )

    @model_validator(mode="after")
    def _one_of(self) -> Building:
        inline_or_feature(self.polygon is not None, self.file, self.feature, "polygon")
        return self


class BuildingFile(Part):
    """A layer of buildings in a GeoJSON or GeoPackage file."""

    id: Id = Field(description="Id, unique among the building files; buildings without an id are numbered behind it")
    file: FileName = Field(description="GeoJSON (.geojson, .json) or GeoPackage (.gpkg) file with polygons")
    layer: Line | None = Field(default=None, description="Layer of a GeoPackage. Default: its only layer of polygons")
    id_attribute: Line | None = Field(
        default=None, description="Attribute with the id. Default: the id of the feature, else numbers"
    )
    name_attribute: Line | None = Field(default=None, description="Attribute with the name. Default null")
    height_attribute: Line | None = Field(
        default=None, description="Attribute with the height above the lowest ground along the footprint [m]"
    )
    top_z_attribute: Line | None = Field(
        default=None, description="Attribute with the absolute height of the top [m], used where there is no height"
    )
    height_m: _BuildingHeight | None = Field(
        default=None,
        description="Height of buildings for which the file gives none, nor floors [m]. Default null: an error",
    )
    floors_attribute: Line | None = Field(default=None, description="Attribute with the number of floors")
    use_attribute: Line | None = Field(default=None, description="Attribute with the use")
    uses: dict[str, BuildingUse] = Field(
        default={},
        description="Value of use_attribute -> use; values that are names of uses need no entry",
    )
    use: BuildingUse = Field(
        default="other", description=f"{_USE}; of all buildings whose value is empty or has no entry. Default other"
    )
    area: Area | None = Field(default=None, description=_AREA)
    absorption_attribute: Line | None = Field(
        default=None, description="Attribute with the absorption, one number, 0 to below 1"
    )
    absorption: _Absorption = Field(
        default=DEFAULT_ABSORPTION,
        description=f"{_ABSORPTION}; where the file gives none. Default 0.2: an assumption",
    )
    dwellings_attribute: Line | None = Field(default=None, description="Attribute with the number of dwellings")
    persons_attribute: Line | None = Field(default=None, description="Attribute with the number of persons")
    dwellings_total: _Dwellings | None = Field(
        default=None,
        description="Instead of an attribute: dwellings of all residential buildings of the file together, shared out "
        "by volume, (2.8.2) of the EU method",
    )
    persons_total: _Persons | None = Field(
        default=None,
        description="Instead of an attribute: persons of all residential buildings of the file together, shared out "
        "by volume, (2.8.2) of the EU method",
    )
    floor_space_per_person_m2: Annotated[Number, Field(gt=0, le=1000)] | None = Field(
        default=None,
        description="Instead of an attribute or total: floor space for one person [m2], from which persons are "
        "estimated, (2.8.7) and (2.8.9) of the EU method",
    )


class FacadeReceivers(Part):
    """Receivers generated on the facades of buildings; a later entry takes the place of earlier ones."""

    buildings: Literal["all"] | Annotated[tuple[Id, ...], Field(min_length=1)] = Field(
        default="all", description="`all`, or a list of ids of buildings. Default all"
    )
    uses: Annotated[tuple[BuildingUse, ...], Field(min_length=1)] | None = Field(
        default=None, description="Of these buildings, only those with one of these uses. Default null: any use"
    )
    rule: Literal["law", "every_5_m", "each_facade"] = Field(
        default="law",
        description="Where they stand, by section 2.8 of the EU method: `law` (case 1: long sides in equal parts of at "
        "most 5 m, one in the middle of each; sides of 2.5 m to 5 m one; runs of short sides longer than 5 m as one "
        "line), `every_5_m` (case 2: the outline cut every 5 m from its first corner) or `each_facade` (case 2: one in "
        "the middle of each side). Default law",
    )
    heights: Literal["4_m", "every_floor"] = Field(
        default="4_m",
        description="`4_m`: 4 m above the ground; `every_floor`: also at the ceiling of each floor. Default 4_m",
    )
    storey_height_m: Annotated[Number, Field(ge=2, le=10)] = Field(
        default=2.8, description="With every_floor: height of a floor [m], 2 to 10. Default 2.8: common practice"
    )
    quiet_facade: Flag = Field(
        default=True, description="Whether quiet facades are looked for, 2 m in front of the walls. Default true"
    )

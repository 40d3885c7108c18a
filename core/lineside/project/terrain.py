"""The shape of the ground: heights from files, and earthworks along tracks, as a project file describes them."""

from __future__ import annotations

from typing import Annotated, Literal

from pydantic import Field, model_validator

from lineside.project.types import XY, Chainage, FileName, Id, Line, Number, Part, Share, Text


class RasterTerrain(Part):
    """Heights on a regular grid."""

    kind: Literal["raster"] = Field(description="`raster`: heights on a regular grid, north up")
    file: FileName = Field(
        description="GeoTIFF, or ASCII grid (ncols, nrows, xllcorner or xllcenter, cellsize, NODATA_value), in the "
        "project's coordinates; heights in m above the same zero as the tracks"
    )


class PointsTerrain(Part):
    """Heights at points and along lines, joined by triangles."""

    kind: Literal["points"] = Field(description="`points`: spot heights and contour lines, joined by triangles")
    files: Annotated[tuple[FileName, ...], Field(min_length=1, max_length=20)] = Field(
        description="CSV files with the columns x_m, y_m, z_m; GeoJSON files with points and lines that have heights, "
        "or the property height_property; 1 to 20 files"
    )
    height_property: Line = Field(
        default="height_m",
        description="Name of the property that holds the height of a GeoJSON feature [m]. Default height_m",
    )
    step_m: Annotated[Number, Field(ge=0.5, le=50)] = Field(
        default=5.0, description="Step of the grid onto which the triangles are drawn [m], 0.5 to 50. Default 5"
    )


Terrain = Annotated[RasterTerrain | PointsTerrain, Field(discriminator="kind")]

_Ratio = Annotated[Number, Field(ge=0.1, le=20)]


class SlopeSide(Part):
    """An earth slope from the edge of the formation up or down to the terrain."""

    kind: Literal["slope"] = Field(description="`slope`: an earth slope up or down to the terrain")
    ratio: _Ratio = Field(default=1.5, description="Slope 1 : ratio, horizontal per vertical, 0.1 to 20. Default 1.5")


class WallSide(Part):
    """A vertical face at the edge of the formation up or down to the terrain."""

    kind: Literal["wall"] = Field(description="`wall`: a vertical face up or down to the terrain")


Side = Annotated[SlopeSide | WallSide, Field(discriminator="kind")]

_Width = Annotated[Number, Field(ge=0, le=100)]
_Depth = Annotated[Number, Field(ge=0, le=5)]


class Earthwork(Part):
    """What carries one or several tracks between two chainages: a cross-section that follows the rails."""

    id: Id = Field(description="Id, unique among the earthworks")
    name: Text = Field(default="", description="Name for the report. Default empty: the id is printed")
    kind: Literal["embankment", "cutting", "viaduct", "retaining_wall"] = Field(
        description="`embankment` or `cutting` with earth slopes, `retaining_wall` with vertical faces on both sides, "
        "or `viaduct`: a deck with the ground going on below it"
    )
    along: Id = Field(description="Id of the track along which the chainages count; it lies on the earthwork")
    from_m: Chainage = Field(description="Start [m chainage]")
    to_m: Chainage = Field(description="End [m chainage], beyond from_m")
    tracks: tuple[Id, ...] = Field(default=(), description="Ids of further tracks that lie on it. Default none")
    ballast_half_width_m: _Width = Field(
        default=2.2,
        description="From the centre line of the outermost track to the shoulder of the ballast (or the edge of the "
        "slab) [m], 0 to 100. Default 2.2",
    )
    ballast_below_rail_m: _Depth = Field(
        default=0.2, description="Top of the ballast below the rail head [m], 0 to 5. Default 0.2"
    )
    ballast_slope_ratio: Annotated[Number, Field(ge=0, le=20)] = Field(
        default=1.5,
        description="Slope of the ballast's shoulder 1 : ratio, 0 (vertical) to 20. Default 1.5",
    )
    ballast_g: Share | None = Field(
        default=None,
        description="Ground factor G of the strip between the outer feet of the ballast, 0 (hard) to 1 (porous). "
        "Default null: by the ground areas",
    )
    formation_below_rail_m: _Depth = Field(
        default=0.7, description="Formation, or deck, below the rail head [m], 0 to 5. Default 0.7"
    )
    formation_edge_m: _Width = Field(
        default=3.5,
        description="From the centre line of the outermost track to the edge of the formation, or of the deck [m], 0 "
        "to 100. Default 3.5",
    )
    left: Side | None = Field(
        default=None,
        description="Side on the left along rising chainage: by kind `slope` or `wall`. Default null: slopes 1 : 1.5 "
        "for `embankment` and `cutting`, walls for `retaining_wall`; a `viaduct` has no sides",
    )
    right: Side | None = Field(default=None, description="Side on the right along rising chainage, as left")

    @model_validator(mode="after")
    def _deck_has_no_sides(self) -> Earthwork:
        if self.kind == "viaduct" and not (self.left is None and self.right is None):
            raise ValueError("a viaduct has no sides: leave left and right out")
        return self

    @property
    def over(self) -> bool:
        """Whether it is a deck, with the ground going on below it."""
        return self.kind == "viaduct"

    @property
    def all_tracks(self) -> tuple[str, ...]:
        """The tracks that lie on it, the one along which it runs first."""
        return tuple(dict.fromkeys((self.along, *self.tracks)))

    @property
    def ballast_toe_m(self) -> float:
        """From the centre line of the outermost track to the foot of the ballast. [m]"""
        height = max(self.formation_below_rail_m - self.ballast_below_rail_m, 0.0)
        return self.ballast_half_width_m + self.ballast_slope_ratio * height

    def slope_ratio(self, side: Literal["left", "right"]) -> float | None:
        """Horizontal per vertical of a side; None: a vertical face."""
        given = self.left if side == "left" else self.right
        if given is None:
            return 1.5 if self.kind in ("embankment", "cutting") else None
        return given.ratio if isinstance(given, SlopeSide) else None


class Bank(Part):
    """An earth bank that stands by itself, beside the line or anywhere else."""

    id: Id = Field(description="Id, unique among the banks")
    name: Text = Field(default="", description="Name for the report. Default empty: the id is printed")
    line: Annotated[tuple[XY, ...], Field(min_length=2, max_length=10_000)] = Field(
        description="Points [x, y] along the middle of its crest, at least two [m]. Its ends stand upright"
    )
    height_m: Annotated[Number, Field(gt=0, le=50)] = Field(
        description="Height of the crest above the ground below its middle [m], above 0 to 50"
    )
    crest_width_m: _Width = Field(default=1.0, description="Width of the flat crest [m], 0 to 100. Default 1")
    slope_ratio: _Ratio = Field(
        default=1.5, description="Both slopes 1 : ratio, horizontal per vertical, 0.1 to 20. Default 1.5"
    )
    g: Share | None = Field(
        default=None,
        description="Ground factor G of its surface, 0 (hard) to 1 (porous). Default null: by the ground areas",
    )

    @property
    def half_width_m(self) -> float:
        """From the middle of the crest to the foot of a slope on level ground. [m]"""
        return 0.5 * self.crest_width_m + self.slope_ratio * self.height_m

    @property
    def over(self) -> bool:
        """Never: it is earth on the ground."""
        return False

"""Open one file of polygons: the formats that are allowed, and the messages when it cannot be used."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

from riskmap.common.errors import LayerError, joined
from riskmap.layers import archive

if TYPE_CHECKING:
    import geopandas as gpd

ALLOWED = {  # suffix -> GDAL drivers that may open it; GeoParquet is read without GDAL
    ".zip": ("ESRI Shapefile",),
    ".shp": ("ESRI Shapefile",),
    ".geojson": ("GeoJSON", "GeoJSONSeq"),
    ".json": ("GeoJSON",),
    ".gpkg": ("GPKG",),
    ".parquet": (),
    ".geoparquet": (),
}


def read_polygons(path: Path, shown_path: Path, layer: str | None = None) -> gpd.GeoDataFrame:
    """Return the features of one file, in EPSG:4326, with the row number of each in column `_row`.

    Parameters
    ----------
    path, shown_path : Path
        Where the file is, and the path as the user wrote it.
    layer : str, optional
        Layer of a GeoPackage; needed when it contains more than one.

    Raises
    ------
    LayerError
        When the file is absent, of another format, unreadable, or without a coordinate reference system.
    """
    if path.suffix.lower() not in ALLOWED:
        raise LayerError(f"E-LAY-001 {shown_path}: format {path.suffix or '(none)'} is not read; "
                         f"give one of {joined(sorted(ALLOWED))}.")
    if not path.is_file():
        raise LayerError(f"E-LAY-002 {shown_path}: no such file; correct the path in the area file.")
    frame = _parquet(path, shown_path) if not ALLOWED[path.suffix.lower()] else _gdal(path, shown_path, layer)
    if frame.crs is None:
        raise LayerError(f"E-LAY-003 {shown_path}: no coordinate reference system; for a shapefile add its .prj file, "
                         "for other formats save the file again with the system it was drawn in.")
    return frame.assign(_row=range(1, len(frame) + 1)).to_crs("EPSG:4326")


def _parquet(path: Path, shown_path: Path) -> gpd.GeoDataFrame:
    import geopandas as gpd

    try:
        return gpd.read_parquet(path)
    except (ValueError, OSError) as error:
        raise LayerError(f"E-LAY-004 {shown_path}: cannot be read as GeoParquet: {_first_line(error)}.") from None


def _gdal(path: Path, shown_path: Path, layer: str | None) -> gpd.GeoDataFrame:
    import pyogrio
    import pyogrio.errors
    from shapely.errors import ShapelyError

    where = _inside_zip(path, shown_path) if path.suffix.lower() == ".zip" else str(path)
    try:
        layers = [str(name) for name in pyogrio.list_layers(where)[:, 0]]
        chosen = _layer(layers, layer, shown_path)
        driver = pyogrio.read_info(where, layer=chosen)["driver"]
        if driver not in ALLOWED[path.suffix.lower()]:
            raise LayerError(f"E-LAY-080 {shown_path}: the content is {driver}, not what {path.suffix} promises.")
        return pyogrio.read_dataframe(where, layer=chosen)
    except (pyogrio.errors.DataSourceError, pyogrio.errors.DataLayerError, pyogrio.errors.FeatureError,
            ShapelyError, ValueError) as error:
        raise LayerError(f"E-LAY-004 {shown_path}: cannot be read: {_first_line(error)}.") from None


def _inside_zip(path: Path, shown_path: Path) -> str:
    """Return the GDAL path of the one shapefile in a zip."""
    members = archive.entries(path, str(shown_path), unreadable="E-LAY-004", unsafe="E-LAY-006")
    shapes = [m.filename for m in members if m.filename.lower().endswith(".shp")]
    if len(shapes) != 1:
        raise LayerError(f"E-LAY-005 {shown_path}: contains {len(shapes)} shapefiles ({joined(shapes)}); "
                         "give a zip with exactly one.")
    return f"/vsizip/{path.resolve()}/{shapes[0]}"


def _layer(layers: list[str], layer: str | None, shown_path: Path) -> str:
    if layer is not None and layer not in layers:
        raise LayerError(f"E-LAY-007 {shown_path}: no layer '{layer}'; it has {joined(layers)}.")
    if layer is None and len(layers) != 1:
        raise LayerError(f"E-LAY-007 {shown_path}: {len(layers)} layers ({joined(layers)}); set `layer` to one "
                         "of them.")
    return layer or layers[0]


def _first_line(error: BaseException) -> str:
    return str(error).splitlines()[0].rstrip(".") if str(error) else type(error).__name__

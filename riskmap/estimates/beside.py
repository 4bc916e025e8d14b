"""Published methods that the table of lots shows next to the estimate, with their cautions."""

from __future__ import annotations

from dataclasses import asdict, dataclass
from types import ModuleType
from typing import TYPE_CHECKING

import numpy as np

from riskmap.estimates import as2870, cole_volume, van_der_merwe_1964

if TYPE_CHECKING:
    import pandas as pd
    from numpy.typing import NDArray


@dataclass(frozen=True)
class Method:
    """One published method: module name, description, source, standing, and whether a printed value is reproduced."""

    name: str
    title: str
    source: str
    standing: str
    verified: bool

    @classmethod
    def of(cls, module: ModuleType) -> Method:
        """Return what the module of a method says about it."""
        return cls(module.__name__.rpartition(".")[2], (module.__doc__ or "").splitlines()[0], module.SOURCE,
                   module.STANDING, module.VERIFIED)

    def as_dict(self) -> dict[str, object]:
        """Return it as plain values for the manifest."""
        return asdict(self)


METHODS = tuple(Method.of(module) for module in (as2870, cole_volume, van_der_merwe_1964))
WINDOW_M = (0.25, 1.00)  # window of the soil survey's shrink-swell rule
SURFACE_CHANGE_PF = 1.2  # lower end of AS 2870-1996's 1.2-1.5 for temperate zones, as tabled by Look
TEMPERATE_DEPTH_M = 2.3  # Hs of a moisture index of -5 to 10 (Walsh et al. 1998), used when the index is not given
CLASS_COLUMN = "potential_expansiveness"
NO_CLASS = ("not computed: needs very high, high, medium or low for each layer (column potential_expansiveness), which "
            "the method reads from a chart of plasticity index against clay; the soil tables contain no plasticity "
            "index and the chart was not seen")
# This must be shown together with the columns of `beside` wherever they appear.
NOTES = {
    "volume_change_cole_pct": "Volume change from 33 kPa to oven dry of the mean linear extensibility over 25-100 cm.",
    "as2870_surface_movement_mm": (
        "AS 2870-type characteristic surface movement; equation from memory, not verified against the standard. "
        "Shrink-swell index taken as LEP/1.8: this transfer from the soil survey is ours and in no document. "
        "The deepest horizon is taken to reach to the depth of suction change, or to rock."),
    "as2870_class": "AS 2870:2011 class of that movement; not a site classification.",
    "van_der_merwe_heave_mm": (
        "Upper bound: dry ground that becomes nearly saturated; unit heaves partly from memory, not verified. The "
        "class of each layer is taken from its linear extensibility (3, 6, 9 %): the transfer is ours, in no "
        "document."),
}
LOT_COLUMNS = ("volume_change_cole_pct", "as2870_surface_movement_mm", "van_der_merwe_heave_mm")


def expansiveness_from_lep(lep_pct: NDArray[np.float64]) -> NDArray[np.object_]:
    """Return low, medium, high or very high by the soil survey's limits of linear extensibility (3, 6, 9 %).

    The method's own chart (plasticity index against clay) was not seen; this transfer is ours (method.md, section 9).
    """
    names = np.array(["low", "medium", "high", "very high"], dtype=object)
    return names[np.digitize(lep_pct, (3.0, 6.0, 9.0))]


def of_lots(lot_profile: pd.DataFrame, profile: pd.DataFrame, layer: pd.DataFrame, lots: int) -> pd.DataFrame:
    """Return the published columns of every lot, means over its profiles by weight, missing where a lot has none.

    Method: method.md, section 9.

    Parameters
    ----------
    lot_profile : DataFrame
        `tables.LOT_PROFILE`.
    profile, layer : DataFrame
        Soil profiles as returned by the soil stage.
    lots : int
        Number of lots.
    """
    import pandas as pd

    row = lot_profile["lot_row"].to_numpy(np.int64)
    weight = lot_profile["weight"].to_numpy(float)
    known = np.bincount(row, weight, lots) > 0
    out = pd.DataFrame(np.nan, index=range(lots), columns=list(LOT_COLUMNS))
    if len(profile):
        classed = layer.assign(**{CLASS_COLUMN: expansiveness_from_lep(layer["lep_pct"].to_numpy(float))})
        one = beside(profile, classed).set_index("profile_id")
        for name in LOT_COLUMNS:
            mean = np.bincount(row, weight * one.loc[lot_profile["profile_id"], name].to_numpy(float), lots)
            out[name] = np.where(known, mean, np.nan)
    out["as2870_class"] = as2870.site_class(out["as2870_surface_movement_mm"].to_numpy())
    return out


def beside(profile: pd.DataFrame, layer: pd.DataFrame, *, moisture_index: float | None = None,
           surface_change_pf: float = SURFACE_CHANGE_PF) -> pd.DataFrame:
    """Return the published methods that the soil tables allow, one row per soil profile. (method.md, section 9)

    Parameters
    ----------
    profile : DataFrame
        profile_id (unique), rock_depth_m (inf or empty without rock).
    layer : DataFrame
        profile_id, top_m, bottom_m, lep_pct: contiguous from 0. A column `potential_expansiveness` (very high, high,
        medium, low) is used if there is one.
    moisture_index : float, optional
        Thornthwaite moisture index, for the depth of suction change; the temperate depth 2.3 m without it.
    surface_change_pf : float
        Suction change at the surface.

    Returns
    -------
    DataFrame
        profile_id; volume_change_cole_pct; as2870_surface_movement_mm and as2870_class; van_der_merwe_heave_mm;
        published_reason, empty text, or why a value is missing. In the order of `profile`. There is no value for a
        profile without layers or with a layer that lacks linear extensibility.
    """
    import pandas as pd

    number = profile["profile_id"].to_numpy()
    count = len(number)
    rock = profile["rock_depth_m"].to_numpy(float)
    rock = np.where(np.isfinite(rock), rock, np.inf)
    part = layer[layer["profile_id"].isin(number)].sort_values(["profile_id", "top_m"], kind="stable")
    place = pd.Index(number).get_indexer(part["profile_id"])
    top, bottom = part["top_m"].to_numpy(float), part["bottom_m"].to_numpy(float)
    lep = part["lep_pct"].to_numpy(float)
    depth_m = (TEMPERATE_DEPTH_M if moisture_index is None
               else float(as2870.depth_of_suction_change_m(np.array(moisture_index))))

    mean = _window_mean(place, top, np.minimum(bottom, rock[place]), lep, count)
    reach = _reaching(place, bottom, rock, depth_m)
    described = np.bincount(place, minlength=count) > 0
    movement = as2870.surface_movement_mm(
        place, top, reach, as2870.shrink_index_from_lep(lep), count, surface_change_pf=surface_change_pf,
        depth_m=depth_m, cracked_m=as2870.CRACKED_SHARE * depth_m)
    movement = np.where(described, movement, np.nan)
    heave = np.full(count, np.nan)
    if CLASS_COLUMN in part:
        unit = van_der_merwe_1964.unit_heave_of(part[CLASS_COLUMN].to_numpy(object))
        heave = van_der_merwe_1964.total_heave_mm(place, top, np.minimum(bottom, rock[place]), unit, count)
        heave = np.where(described, heave, np.nan)
    reason = np.where(np.isfinite(mean) & np.isfinite(movement), "", "no linear extensibility for every layer; ")
    reason = np.where(np.isfinite(heave), reason, np.char.add(reason.astype(str), f"van_der_merwe_heave_mm {NO_CLASS}"))
    return pd.DataFrame({
        "profile_id": number, "volume_change_cole_pct": cole_volume.volume_change_pct(mean),
        "as2870_surface_movement_mm": movement, "as2870_class": as2870.site_class(movement),
        "van_der_merwe_heave_mm": heave, "published_reason": reason,
    })


def _window_mean(place: NDArray[np.int64], top: NDArray[np.float64], bottom: NDArray[np.float64],
                 lep: NDArray[np.float64], count: int) -> NDArray[np.float64]:
    """Return the thickness-weighted mean over 25-100 cm; nan where a layer in the window has no value."""
    overlap = np.clip(np.minimum(bottom, WINDOW_M[1]) - np.maximum(top, WINDOW_M[0]), 0.0, None)
    total = np.bincount(place, np.where(overlap > 0, overlap * lep, 0.0), count)
    thickness = np.bincount(place, overlap, count)
    return np.divide(total, thickness, out=np.full(count, np.nan), where=thickness > 0)


def _reaching(place: NDArray[np.int64], bottom: NDArray[np.float64], rock: NDArray[np.float64],
              depth_m: float) -> NDArray[np.float64]:
    """Return layer bottoms; the deepest layer of each profile is extended to `depth_m`, and all are cut at rock."""
    last = np.append(place[1:] != place[:-1], True) if place.size else np.zeros(0, dtype=bool)
    stretched = np.where(last, np.maximum(bottom, depth_m), bottom)
    return np.minimum(stretched, rock[place])

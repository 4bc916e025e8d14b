"""Write the example area: an invented prairie town, its soil survey, its weather and its lots.

Everything here is invented by this script from fixed seeds; no place, person, soil series or record is real. The
layouts are those of the public sources that riskmap reads. Running it again writes the same content:

    python layers/example/make_example.py [FOLDER]
"""

from __future__ import annotations

import csv
import hashlib
import io
import re
import sys
import tempfile
import zipfile
from datetime import date, timedelta
from itertools import pairwise
from pathlib import Path

import geopandas as gpd
import numpy as np
import pandas as pd
import pyogrio
import shapely
from pyproj import Transformer
from shapely.geometry import LineString, Point, Polygon, box
from shapely.ops import polygonize

LOT_CRS = "EPSG:26914"
EAST, NORTH = 535_000.0, 4_195_000.0  # the origin of local metres
SURVEY = (-1500.0, -1350.0, 3300.0, 3000.0)  # extent of the soil map in local metres
STAMP = (2025, 9, 1, 0, 0, 0)
TO_DEGREES = Transformer.from_crs(LOT_CRS, "EPSG:4326", always_xy=True)

FIRST_YEAR, LAST_MONTH = 1980, (2025, 8)  # climate record; the weather itself is invented to 2025-10
FIRST_MAP, LAST_MAP = date(2021, 10, 5), date(2025, 10, 28)
EMPTY_CLASS_MAP = date(2022, 6, 7)  # a week on which D1 does not occur between D0 and D2
REGION = (-99.2, 37.4, -98.0, 38.4)  # what the climate cells and weekly maps cover, in degrees
CELL_LINE = -98.5925  # the line between the two climate cells runs through the town


# ---------------------------------------------------------------- ground: creek, soil boundaries, map units
def creek_y(x: np.ndarray) -> np.ndarray:
    """Return the creek's local northing at local eastings."""
    return 150.0 + 0.16 * x + 70.0 * np.sin(x / 310.0 + 0.6) + 28.0 * np.sin(x / 121.0)


def wavy(x: np.ndarray, seed: int, size: float) -> np.ndarray:
    """Return a smooth curve that wanders around zero."""
    rng = np.random.default_rng(seed)
    terms = [(rng.uniform(0.4, 1.0) * size / k, rng.uniform(700, 1100) / k, rng.uniform(0, 6.28)) for k in (1, 2, 3, 5)]
    return sum(a * np.sin(x / w + p) for a, w, p in terms)


def blob(cx: float, cy: float, rx: float, ry: float, seed: int) -> Polygon:
    """Return a closed wavy outline."""
    rng = np.random.default_rng(seed)
    angle = np.linspace(0, 2 * np.pi, 73)[:-1]
    radius = 1 + sum(rng.uniform(0.03, 0.20) / k * np.cos(k * angle + rng.uniform(0, 6.28)) for k in (1, 2, 3, 4, 5))
    return Polygon(np.column_stack([cx + rx * radius * np.cos(angle), cy + ry * radius * np.sin(angle)]))


def map_units() -> gpd.GeoDataFrame:
    """Return soil polygons that share every boundary, in degrees: musym, geometry."""
    frame = box(*SURVEY)
    x = np.linspace(SURVEY[0] - 60, SURVEY[2] + 60, 161)
    upper = creek_y(x) + 120 + wavy(x, 1, 55)
    lower = creek_y(x) - 110 + wavy(x, 2, 45)
    plain = 830 + 0.05 * x + wavy(x, 3, 150)
    south = lower - 620 + wavy(x, 4, 120)
    lines = [LineString(np.column_stack([x, y])) for y in (upper, lower, plain, south)]
    core, downtown = blob(770, 690, 440, 330, 11), blob(790, 660, 150, 110, 12)
    rock = [blob(190, 1270, 330, 240, 13), blob(1620, -210, 380, 230, 14), blob(2550, 1750, 420, 560, 15),
            blob(-900, 2100, 360, 480, 16)]
    clay = [blob(-700, -750, 520, 260, 17), blob(1500, 450, 210, 120, 18)]
    silty = [blob(1250, 2350, 560, 240, 19), blob(-850, 1150, 300, 250, 20)]
    rings = [shape.exterior for shape in (core, downtown, *rock, *clay, *silty)]
    network = shapely.union_all([frame.exterior, *(line.intersection(frame) for line in (*lines, *rings))])
    faces = [face for face in polygonize(shapely.get_parts(network)) if face.area > 0]

    def unit(face: Polygon) -> str:
        p = face.representative_point()
        at = [float(np.interp(p.x, x, y)) for y in (upper, lower, plain, south)]
        if downtown.contains(p):
            return "Ud"
        if core.contains(p):
            return "OuA"
        if at[1] < p.y < at[0]:
            return "QnA"
        if any(shape.contains(p) for shape in rock):
            return "VaC"
        if any(shape.contains(p) for shape in clay):
            return "ObA"
        if any(shape.contains(p) for shape in silty):
            return "TmB"
        return "ObA" if p.y > at[2] or p.y < at[3] else "TmB"

    merged = gpd.GeoDataFrame({"musym": [unit(f) for f in faces]}, geometry=faces).dissolve("musym").explode()
    merged = merged.reset_index().sort_values(["musym"], kind="stable").reset_index(drop=True)
    return merged.assign(geometry=[degrees(shape) for shape in merged.geometry]).set_crs("EPSG:4326")


def degrees(shape: shapely.Geometry) -> shapely.Geometry:
    """Return a local shape in degrees, rounded to about a centimetre; equal corners stay equal."""
    def move(xy: np.ndarray) -> np.ndarray:
        return np.round(np.column_stack(TO_DEGREES.transform(xy[:, 0] + EAST, xy[:, 1] + NORTH)), 7)
    return shapely.transform(shape, move)


# ---------------------------------------------------------------- soil survey tables
# Column names and order of the exchange layout 2.3.3; `*` means _l, _r, _h. Types: S text, C choice, I integer,
# F real, B yes/no, D date, V long text.
LAYOUT = {
    "mapunit": ("mapunit", "musym:S muname:S mukind:C mustatus:C muacres:I mapunitlfw*:I mapunitpfa*:F farmlndcl:C "
                "muhelcl:C muwathelcl:C muwndhelcl:C interpfocus:S invesintens:C iacornsr:I nhiforsoigrp:C nhspiagr:F "
                "vtsepticsyscl:C mucertstat:C lkey:S mukey:S"),
    "component": ("comp", "comppct*:I compname:S compkind:C majcompflag:B otherph:S localphase:S slope*:F "
                  "slopelenusle*:I runoff:C tfact:I wei:C weg:C erocl:C earthcovkind1:C earthcovkind2:C hydricon:C "
                  "hydricrating:C drainagecl:C elev*:F aspectccwise:I aspectrep:I aspectcwise:I geomdesc:V "
                  "albedodry*:F airtempa*:F map*:I reannualprecip*:I ffd*:I nirrcapcl:C nirrcapscl:C nirrcapunit:I "
                  "irrcapcl:C irrcapscl:C irrcapunit:I cropprodindex:I constreeshrubgrp:C wndbrksuitgrp:C rsprod*:I "
                  "foragesuitgrpid:S wlgrain:C wlgrass:C wlherbaceous:C wlshrub:C wlconiferous:C wlhardwood:C "
                  "wlwetplant:C wlshallowwat:C wlrangeland:C wlopenland:C wlwoodland:C wlwetland:C soilslippot:C "
                  "frostact:C initsub*:I totalsub*:I hydgrp:C corcon:C corsteel:C taxclname:S taxorder:C taxsuborder:C "
                  "taxgrtgroup:C taxsubgrp:C taxpartsize:C taxpartsizemod:C taxceactcl:C taxreaction:C taxtempcl:C "
                  "taxmoistscl:C taxtempregime:C soiltaxedition:C castorieindex:I flecolcomnum:S flhe:C flphe:C "
                  "flsoilleachpot:C flsoirunoffpot:C fltemik2use:C fltriumph2use:C indraingrp:S innitrateleachi:I "
                  "misoimgmtgrp:C vasoimgtgrp:C mukey:S cokey:S"),
    "chorizon": ("chorizon", "hzname:S desgndisc:I desgnmaster:C desgnmasterprime:C desgnvert:I hzdept*:I hzdepb*:I "
                 "hzthk*:I fraggt10*:I frag3to10*:I sieveno4*:F sieveno10*:F sieveno40*:F sieveno200*:F sandtotal*:F "
                 "sandvc*:F sandco*:F sandmed*:F sandfine*:F sandvf*:F silttotal*:F siltco*:F siltfine*:F claytotal*:F "
                 "claysizedcarb*:F om*:F dbtenthbar*:F dbthirdbar*:F dbfifteenbar*:F dbovendry*:F "
                 "partdensity:F ksat*:F awc*:F wtenthbar*:F wthirdbar*:F wfifteenbar*:F wsatiated*:I lep*:F ll*:F "
                 "pi*:F aashind*:I kwfact:C "
                 "kffact:C caco3*:I gypsum*:I sar*:F ec*:F cec7*:F ecec*:F sumbases*:F ph1to1h2o*:F ph01mcacl2*:F "
                 "freeiron*:F feoxalate*:F extracid*:F extral*:F aloxalate*:F pbray1*:F poxalate*:F ph2osoluble*:F "
                 "ptotal*:F excavdifcl:C excavdifms:C cokey:S chkey:S"),
    "muaggatt": ("muaggatt", "musym:S muname:S mustatus:C slopegraddcp:F slopegradwta:F brockdepmin:I wtdepannmin:I "
                 "wtdepaprjunmin:I flodfreqdcd:C flodfreqmax:C pondfreqprs:C aws025wta:F aws050wta:F aws0100wta:F "
                 "aws0150wta:F drclassdcd:C drclasswettest:C hydgrpdcd:C iccdcd:C iccdcdpct:I niccdcd:C niccdcdpct:I "
                 "engdwobdcd:S engdwbdcd:S engdwbll:S engdwbml:S engstafdcd:S engstafll:S engstafml:S engsldcd:S "
                 "engsldcp:S englrsdcd:S engcmssdcd:S engcmssmp:S urbrecptdcd:S urbrecptwta:F forpehrtdcp:S hydclprs:C "
                 "awmmfpwwta:F mukey:S"),
    "legend": ("legend", "areatypename:S areasymbol:S areaname:S areaacres:I mlraoffice:C legenddesc:S ssastatus:C "
               "mouagncyresp:C projectscale:I cordate:D ssurgoarchived:D legendsuituse:C legendcertstat:C lkey:S"),
    "sacatalog": ("sacatlog", "areasymbol:S areaname:S saversion:I saverest:D tabularversion:I tabularverest:D "
                  "tabnasisexportdate:D tabcertstatus:C tabcertstatusdesc:V fgdcmetadata:V sacatalogkey:S"),
    "cosoilmoist": ("csmoist", "soimoistdept*:I soimoistdepb*:I soimoiststat:C comonthkey:S cosoilmoistkey:S"),
    "comonth": ("cmonth", "monthseq:I month:C flodfreqcl:C floddurcl:C pondfreqcl:C ponddurcl:C ponddep*:I "
                "dlyavgprecip*:I dlyavgpotet*:I cokey:S comonthkey:S"),
    "corestrictions": ("crstrcts", "reskind:C reshard:C resdept*:I resdepb*:I resthk*:I cokey:S corestrictkey:S"),
    "mutext": ("mutext", "recdate:D mapunittextkind:C textcat:S textsubcat:S text:V mukey:S mutextkey:S"),
    "mdstattabs": ("mstab", "tabphyname:S tablogname:S tablabel:S tabdesc:V iefilename:S"),
    "mdstattabcols": ("mstabcol", "tabphyname:S colsequence:I colphyname:S collogname:S collabel:S logicaldatatype:S "
                      "notnull:B fieldsize:I precision:I minimum:F maximum:F uom:S domainname:S coldesc:V"),
}
KINDS = {"S": "String", "C": "Choice", "I": "Integer", "F": "Float", "B": "Boolean", "D": "Date/Time", "V": "Vtext"}

UNITS = {  # symbol: key, name, kind, rating for dwellings without basements, slope, hydrologic group
    "ObA": ("9901001", "Ombrey clay, 0 to 1 percent slopes", "Consociation", "Very limited", 0.5, "D"),
    "OuA": ("9901002", "Ombrey-Urban land complex, 0 to 1 percent slopes", "Complex", "Very limited", 0.5, "D"),
    "TmB": ("9901003", "Tresmark silty clay loam, 1 to 3 percent slopes", "Consociation", "Somewhat limited", 2.0, "C"),
    "QnA": ("9901004", "Quellan loamy fine sand, 0 to 2 percent slopes, rarely flooded", "Consociation",
            "Very limited", 1.0, "A"),
    "VaC": ("9901005", "Vassary clay loam, 3 to 5 percent slopes", "Consociation", "Very limited", 4.0, "D"),
    "Ud": ("9901006", "Urban land", "Miscellaneous area", "Not rated", 1.0, ""),
}
COMPONENTS = [  # symbol, per cent, name, kind, profile, rock cm, wet cm in spring
    ("ObA", 85, "Ombrey", "Series", "ombrey", None, None),
    ("ObA", 10, "Tresmark", "Series", "tresmark", None, None),
    ("ObA", 5, "Lowmere", "Series", None, None, None),
    ("OuA", 55, "Ombrey", "Series", "ombrey", None, None),
    ("OuA", 40, "Urban land", "Miscellaneous area", None, None, None),
    ("OuA", 5, "Tresmark", "Series", "tresmark", None, None),
    ("TmB", 80, "Tresmark", "Series", "tresmark", None, None),
    ("TmB", 15, "Ombrey", "Series", "ombrey", None, None),
    ("TmB", 5, "Quellan", "Series", "quellan", None, None),
    ("QnA", 90, "Quellan", "Series", "quellan", None, 150),
    ("QnA", 10, "Lowmere", "Series", None, None, 30),
    ("VaC", 75, "Vassary", "Series", "vassary", 90, None),
    ("VaC", 15, "Tresmark", "Series", "tresmark", None, None),
    ("VaC", 10, "Rock outcrop", "Miscellaneous area", None, 0, None),
    ("Ud", 100, "Urban land", "Miscellaneous area", None, None, None),
]
# name, master, top, bottom, sand, clay, LEP low / representative / high, bulk density at 33 kPa
PROFILES = {
    "ombrey": [
        ("Ap", "A", 0, 20, 14, 48, (7.0, 9.0, 11.0), 1.32), ("Bss1", "B", 20, 70, 10, 56, (9.5, 12.0, 14.5), 1.30),
        ("Bss2", "B", 70, 130, 9, 58, (10.0, 13.0, 15.5), 1.33),
        ("Bkss", "B", 130, 200, 12, 52, (8.0, 10.5, 13.0), 1.38)],
    "tresmark": [
        ("Ap", "A", 0, 25, 18, 31, (2.4, 3.2, 4.1), 1.38), ("Bt1", "B", 25, 75, 14, 37, (4.0, 5.2, 6.3), 1.42),
        ("Bt2", "B", 75, 140, 17, 35, (3.6, 4.7, 5.9), 1.44), ("BC", "B", 140, 200, 24, 29, (2.3, 3.1, 4.0), 1.47)],
    "quellan": [("A", "A", 0, 30, 80, 8, (0.0, 0.5, 1.5), 1.50), ("C1", "C", 30, 110, 84, 7, (0.0, 0.4, 1.5), 1.55),
                ("C2", "C", 110, 200, 88, 5, (0.0, 0.3, 1.5), 1.58)],
    # Class midpoints, as many surveys give them: low 0-3, moderate 3-6, high 6-9.
    "vassary": [
        ("A", "A", 0, 15, 26, 34, (3.0, 4.5, 6.0), 1.36), ("Bt", "B", 15, 65, 20, 44, (6.0, 7.5, 9.0), 1.40),
        ("BC", "B", 65, 90, 30, 26, (0.0, 1.5, 3.0), 1.46), ("Cr", "C", 90, 150, None, None, (None,) * 3, None)],
}
MONTHS = ("January", "February", "March", "April", "May", "June", "July", "August", "September", "October", "November",
          "December")


def columns_of(table: str) -> list[tuple[str, str]]:
    """Return (column, type letter) in file order."""
    found = []
    for item in LAYOUT[table][1].split():
        name, kind = item.split(":")
        found += [(name[:-1] + end, kind) for end in ("_l", "_r", "_h")] if name.endswith("*") else [(name, kind)]
    return found


def tables() -> dict[str, list[dict[str, object]]]:
    """Return the rows of every table; a column that is not named is empty."""
    acres = {"ObA": 2150, "OuA": 110, "TmB": 1480, "QnA": 560, "VaC": 590, "Ud": 15}
    rows: dict[str, list[dict[str, object]]] = {name: [] for name in LAYOUT}
    rows["legend"].append({"areatypename": "Non-MLRA Soil Survey Area", "areasymbol": "ZZ901", "projectscale": 24000,
                           "areaname": "Example County (invented)", "areaacres": sum(acres.values()), "lkey": "99001"})
    rows["sacatalog"].append({
        "areasymbol": "ZZ901", "areaname": "Example County (invented)", "saversion": 3, "tabularversion": 3,
        "saverest": "09/01/2025 08:00:00", "tabularverest": "09/01/2025 08:00:00",
        "tabnasisexportdate": "08/29/2025 08:00:00", "tabcertstatus": "certified, all components",
        "tabcertstatusdesc": "Invented.\nThis \"certification\" describes no real survey.\n", "sacatalogkey": "99001"})
    for symbol, (mukey, name, kind, rating, slope, group) in UNITS.items():
        rows["mapunit"].append({"musym": symbol, "muname": name, "mukind": kind, "muacres": acres[symbol],
                                "farmlndcl": "Not prime farmland" if symbol == "Ud" else "All areas are prime farmland",
                                "invesintens": "Order 2", "lkey": "99001", "mukey": mukey})
        rows["muaggatt"].append({"musym": symbol, "muname": name, "slopegraddcp": slope, "slopegradwta": slope,
                                 "brockdepmin": 90 if symbol == "VaC" else "", "hydgrpdcd": group,
                                 "wtdepannmin": 150 if symbol == "QnA" else "", "engdwobdcd": rating, "mukey": mukey})
        rows["mutext"].append({"mapunittextkind": "Nontechnical description", "textcat": "SOI", "mukey": mukey,
                               "text": f"{name}.\nAn invented unit; it is called \"{symbol}\" on the map.",
                               "mutextkey": f"99{mukey[-4:]}"})
    rng = np.random.default_rng(77)
    for number, (symbol, pct, name, kind, profile, rock, wet) in enumerate(COMPONENTS, start=1):
        cokey = f"9902{number:04d}"
        rows["component"].append({
            "comppct_l": max(pct - 10, 0), "comppct_r": pct, "comppct_h": min(pct + 10, 100), "compname": name,
            "compkind": kind, "majcompflag": "Yes" if pct >= 15 else "No ", "slope_r": UNITS[symbol][4],
            "drainagecl": {"Quellan": "Somewhat excessively drained",
                           "Lowmere": "Poorly drained"}.get(name, "Well drained"),
            "hydricrating": "Yes" if name == "Lowmere" else "No", "hydgrp": UNITS[symbol][5], "mukey": UNITS[symbol][0],
            "taxorder": {"ombrey": "Vertisols", "tresmark": "Mollisols", "quellan": "Entisols",
                         "vassary": "Mollisols"}.get(profile or "", ""), "cokey": cokey})
        if rock is not None:
            rows["corestrictions"].append({
                "reskind": "Lithic bedrock" if rock == 0 else "Paralithic bedrock",
                "reshard": "Indurated" if rock == 0 else "Moderately cemented", "resdept_l": max(rock - 10, 0),
                "resdept_r": rock, "resdept_h": rock + 10 if rock else 0, "cokey": cokey,
                "corestrictkey": f"9905{number:04d}"})
        add_months(rows, number, cokey, wet)
        if profile:
            add_horizons(rows, number, cokey, profile, rng)
    add_layout(rows)
    return rows


def add_months(rows: dict[str, list], number: int, cokey: str, wet: int | None) -> None:
    """Add twelve months, out of order, with a wet layer from February to May where there is one."""
    for month in (12, *range(1, 12)):
        key = f"9903{number:03d}{month:02d}"
        rows["comonth"].append({"monthseq": month, "month": MONTHS[month - 1], "flodfreqcl": "None", "cokey": cokey,
                                "comonthkey": key})
        layers = [(0, wet, "Moist"), (wet, 200, "Wet")] if wet is not None and 2 <= month <= 5 else \
            [(0, 200, "Dry" if 7 <= month <= 9 else "Moist")]
        for i, (top, bottom, status) in enumerate(layers):
            rows["cosoilmoist"].append({"soimoistdept_r": top, "soimoistdepb_r": bottom, "soimoiststat": status,
                                        "comonthkey": key, "cosoilmoistkey": f"{key}{i}"})


def add_horizons(rows: dict[str, list], number: int, cokey: str, profile: str, rng: np.random.Generator) -> None:
    """Add the horizons of one component, not in order of depth, as in downloads."""
    horizons = PROFILES[profile]
    for i in rng.permutation(len(horizons)):
        name, master, top, bottom, sand, clay, lep, density = horizons[i]
        row = {"hzname": name, "desgnmaster": master, "hzdept_r": top, "hzdepb_r": bottom, "cokey": cokey,
               "chkey": f"9904{number:03d}{i + 1}"}
        if clay is not None:
            dry = density * (1 + lep[1] / 100) ** 3
            row |= {"sandtotal_r": sand, "silttotal_r": 100 - sand - clay, "claytotal_l": clay - 5, "claytotal_r": clay,
                    "claytotal_h": clay + 5, "dbthirdbar_l": round(density - 0.05, 2), "dbthirdbar_r": density,
                    "dbthirdbar_h": round(density + 0.05, 2), "dbovendry_r": round(dry, 2), "lep_l": lep[0],
                    "lep_r": lep[1], "lep_h": lep[2], "pi_r": round(0.75 * clay - 4), "ll_r": round(0.9 * clay + 14)}
        rows["chorizon"].append(row)


def add_layout(rows: dict[str, list]) -> None:
    """Describe the written tables in the two tables that name files and columns."""
    for table, (file, _) in LAYOUT.items():
        rows["mdstattabs"].append({"tabphyname": table, "tablogname": table, "tablabel": table, "iefilename": file,
                                   "tabdesc": f"Table \"{table}\" of the example."})
        for sequence, (column, kind) in enumerate(columns_of(table), start=1):
            rows["mdstattabcols"].append({"tabphyname": table, "colsequence": sequence, "colphyname": column,
                                          "collogname": column, "collabel": column, "logicaldatatype": KINDS[kind],
                                          "notnull": "Yes" if column in ("mukey", "cokey", "chkey", "lkey") else "No "})


def delimited(table: str, rows: list[dict[str, object]]) -> bytes:
    """Return one table as pipe-delimited text: text quoted, quotes doubled, no heading."""
    lines = []
    for row in rows:
        cells = []
        for column, kind in columns_of(table):
            value = row.get(column, "")
            quoted = kind in "SCV" and value != ""
            cells.append('"' + str(value).replace('"', '""') + '"' if quoted else str(value))
        lines.append("|".join(cells))
    return "".join(line + "\n" for line in lines).encode("utf-8")


def write_soil(folder: Path) -> gpd.GeoDataFrame:
    """Write the soil survey as a download and return its polygons."""
    polygons = map_units()
    spatial = gpd.GeoDataFrame({
        "AREASYMBOL": "ZZ901", "SPATIALVER": 3, "MUSYM": polygons["musym"],
        "MUKEY": [UNITS[symbol][0] for symbol in polygons["musym"]]}, geometry=polygons.geometry, crs="EPSG:4326")
    files = {f"tabular/{LAYOUT[table][0]}.txt": delimited(table, rows) for table, rows in tables().items()}
    files |= {"tabular/version.txt": b"2.3.3\n", "spatial/version.txt": b"2.3.3\n",
              "readme.txt": b"Invented for the riskmap example. No real soil survey.\n"}
    with tempfile.TemporaryDirectory() as scratch:
        shape = Path(scratch) / "soilmu_a_zz901.shp"
        pyogrio.write_dataframe(spatial, shape, DBF_DATE_LAST_UPDATE="2025-09-01")
        files |= {f"spatial/{shape.stem}{end}": shape.with_suffix(end).read_bytes() for end in (".shp", ".shx", ".dbf",
                                                                                               ".prj")}
    with zipfile.ZipFile(folder / "soil_ZZ901.zip", "w", zipfile.ZIP_DEFLATED, compresslevel=9) as archive:
        for name in sorted(files):
            archive.writestr(zipfile.ZipInfo(f"ZZ901/{name}", STAMP), files[name], zipfile.ZIP_DEFLATED)
    return polygons.assign(mukey=spatial["MUKEY"])


# ---------------------------------------------------------------- lots
X = {0: (0, 15, -20, 5), 1: (500, 520, 505, 540), 2: (1010, 1040, 1060, 1035), 3: (1530, 1560, 1590, 1560)}
Y = {0: (-20, 430, 880, 1290), 1: (-45, 440, 895, 1330), 2: (0, 450, 880, 1300), 3: (30, 470, 905, 1275)}
# name, column, row, first and last year, direction of the streets in degrees, bend of the streets in metres
SUBDIVISIONS = [
    ("Old Town", 1, 1, 1958, 1967, 4.0, 0), ("Depot Addition", 0, 1, 1962, 1972, 4.0, 0),
    ("Fairground Addition", 1, 2, 1968, 1978, -9.0, 0), ("Mill Race", 1, 0, 1971, 1983, 11.0, 14),
    ("Larkmeadow", 2, 1, 1978, 1989, -16.0, 20), ("Stonefence", 0, 2, 1984, 1996, 21.0, 26),
    ("Teal Bend", 2, 0, 1993, 2004, 24.0, 30), ("Kestrel Rise", 2, 2, 1999, 2010, -24.0, 32),
    ("Cottonwood Close", 0, 0, 2005, 2017, -7.0, 24), ("Windbreak", 4, 4, 2014, 2023, 33.0, 34),
]
PARKS = [Point(770, 905).buffer(62), Point(1290, 690).buffer(70), Point(250, 640).buffer(55),
         Point(1330, 1080).buffer(60)]

# The youngest street, between two subdivisions: the first and the last month of its pours
STREET, STREET_LOTS, STREET_BUILT, STREET_Y = "Sedge Row", 32, ("2023-05", "2025-09"), 1296.0


def region(column: int, row: int) -> Polygon:
    """Return the land of one subdivision, inside the through roads."""
    if (column, row) == (4, 4):
        return Polygon([(1690, 1190), (2130, 1150), (2210, 1560), (1740, 1620)])
    corners = [(X[i][j], Y[i][j]) for i, j in
               ((column, row), (column + 1, row), (column + 1, row + 1), (column, row + 1))]
    return Polygon(corners).buffer(-13, join_style="mitre")


def subdivide(land: Polygon, angle: float, bend: float, seed: int) -> list[Polygon]:
    """Return lots in blocks of two rows back to back, in the order of building along the streets."""
    rng = np.random.default_rng(seed)
    street, depth, width = 15.0, rng.uniform(33, 38), rng.uniform(18.6, 22.4)
    turn = np.deg2rad(angle)
    cx, cy = land.centroid.coords[0]

    def place(u: float, v: float) -> tuple[float, float]:
        v = v + bend * np.sin(u / 95.0 + seed)
        return (round(cx + u * np.cos(turn) - v * np.sin(turn), 2), round(cy + u * np.sin(turn) + v * np.cos(turn), 2))

    found = []
    for block_v in np.arange(-420, 420, 2 * depth + street):
        u = -440.0 + rng.uniform(0, 60)
        while u < 440:
            cuts = u + np.concatenate([[0.0], np.cumsum(width + rng.uniform(-1.6, 1.6, rng.integers(7, 12)))])
            for a, b in pairwise(cuts):
                for low in (block_v, block_v + depth):
                    found.append(Polygon([place(a, low), place(b, low), place(b, low + depth), place(a, low + depth)]))
            u = cuts[-1] + street
    return [lot for lot in found if land.contains(lot)]


def town() -> gpd.GeoDataFrame:
    """Return the lots in local metres: subdivision, first and last year, and position in its build-out, 0-1."""
    x = np.linspace(-300, 2300, 300)
    kept_free = shapely.union_all([LineString(np.column_stack([x, creek_y(x)])).buffer(48), *PARKS])
    rows = []
    for number, (name, column, row, first, last, angle, bend) in enumerate(SUBDIVISIONS, start=1):
        lots = [lot for lot in subdivide(region(column, row), angle, bend, 100 + number)
                if not lot.intersects(kept_free)]
        rows += [{"subdivision": name, "first": first, "last": last, "stage": i / len(lots), "number": number,
                  "geometry": lot} for i, lot in enumerate(lots)]
    return gpd.GeoDataFrame(rows)


def describe(lots: gpd.GeoDataFrame) -> pd.DataFrame:
    """Return pour dates and slabs as a county would have them: detailed for recent houses, sparse for old ones."""
    rng = np.random.default_rng(2024)
    rows = []
    for i, lot in enumerate(lots.itertuples()):
        year = int(np.clip(lot.first + lot.stage * (lot.last - lot.first) + rng.normal(0, 1.3), lot.first, lot.last))
        month, day = int(rng.integers(1, 13)), int(rng.integers(1, 29))
        pick = rng.random()
        when, basis = str(year), "year built"
        if year >= 2000 and pick < 0.75:
            when, basis = f"{year}-{month:02d}-{day:02d}", "slab inspection" if pick < 0.55 else "building permit"
        elif year >= 1984 and pick < 0.5:
            when, basis = f"{year}-{month:02d}", "building permit" if pick < 0.3 else ""
        elif year < 1975 and pick < 0.22:
            when, basis = f"{lot.first}/{min(lot.last, year + 3)}", "plat" if pick < 0.04 else ""
        elif year < 1990 and pick > 0.9:
            when, basis = "", ""
        rows.append({"lot_id": f"{lot.number:03d}{i + 1:04d}", "pour_date": when, "pour_date_basis": basis,
                     "built": year, **slab(year, rng), "subdivision": lot.subdivision})
    return pd.DataFrame(rows)


def slab(year: int, rng: np.random.Generator) -> dict[str, object]:
    """Return the sides of a slab of a year and what the lot file says of it."""
    short = float(np.round(rng.normal(30 if year < 1975 else 38 if year < 1995 else 44, 4.5)))
    long = float(np.round(short * rng.uniform(1.15, 1.7)))
    short, long = float(np.clip(short, 22, 62)), float(np.clip(long, 30, 90))
    beam = float(rng.choice([16, 18, 20]) if year < 1975 else rng.choice([18, 20, 24, 26]) if year < 1998
                 else rng.choice([24, 26, 28, 30]))
    has_slab = rng.random() < (0.45 if year < 1985 else 0.75)
    has_beam = rng.random() < (0.05 if year < 1985 else 0.4)
    kind = "slab on ground" if rng.random() < 0.9 else ""
    if year < 1972 and rng.random() < 0.045:
        kind = ("crawl space", "pier and beam")[int(rng.integers(2))]
    return {"short_ft": short, "long_ft": long, "foundation_type": kind, "slab_width_ft": short if has_slab else None,
            "slab_length_ft": long if has_slab else None, "beam_depth_in": beam if has_beam else None}


def street_x(y: np.ndarray) -> np.ndarray:
    """Return the local easting of the middle of the young street at local northings."""
    return 1620.0 + 9.0 * np.sin((y - STREET_Y) / 80.0)


def young_street(before: int) -> gpd.GeoDataFrame:
    """Return the lots of the young street in local metres; `before` is the number of rows of the lot file above them.

    Slabs were poured at an even pace from the south to the north, on both sides, from 2023-05 to 2025-09.
    """
    rng = np.random.default_rng(2025)
    cuts = STREET_Y + np.concatenate([[0.0], np.cumsum(20.0 + rng.uniform(-1.2, 1.2, STREET_LOTS // 2))])
    middle = street_x(cuts)
    first, last = pd.Period(STREET_BUILT[0], "M"), pd.Period(STREET_BUILT[1], "M")
    rows = []
    for k in range(STREET_LOTS):
        low, high = (k // 2, k // 2 + 1) if k % 2 else (k // 2 + 1, k // 2)  # the first side is along the street
        side = 1 if k % 2 else -1
        corners = [(middle[at] + side * away, cuts[at]) for at, away in ((low, 7.5), (high, 7.5), (high, 43.5),
                                                                         (low, 43.5))]
        month = first + round(k / (STREET_LOTS - 1) * (last - first).n)
        day, pick = int(rng.integers(1, 29)), rng.random()
        when, basis = f"{month}-{day:02d}", "slab inspection" if pick < 0.6 else "building permit"
        if pick > 0.75:
            when, basis = (str(month), "building permit") if pick < 0.93 else (str(month.year), "year built")
        rows.append({"lot_id": f"{len(SUBDIVISIONS) + 1:03d}{before + k + 1:04d}", "pour_date": when,
                     "pour_date_basis": basis, "built": month.year, **slab(month.year, rng), "subdivision": STREET,
                     "geometry": Polygon(np.round(corners, 2))})
    return gpd.GeoDataFrame(rows)


def write_lots(folder: Path) -> gpd.GeoDataFrame:
    """Write the lot file, with one of each kind of trouble that real files contain."""
    lots = town()
    table = gpd.GeoDataFrame(describe(lots), geometry=list(lots.geometry))
    outside = dict(table.iloc[5]) | {"lot_id": "0990001", "subdivision": "", "geometry": box(3520, 900, 3560, 945)}
    table = pd.concat([table, gpd.GeoDataFrame([outside])], ignore_index=True)
    shapes = list(table.geometry)
    shapes[40] = None
    a, b, c, d = list(shapes[77].exterior.coords)[:4]
    shapes[77] = Polygon([a, c, b, d])  # corners in the wrong order: a bow-tie
    table = table.assign(geometry=shapes)
    table.loc[203, "lot_id"] = table.loc[202, "lot_id"]
    newest = int(np.flatnonzero(table["subdivision"] == "Windbreak")[-1])
    table.loc[newest, ["pour_date", "pour_date_basis"]] = ["2026-05", "building permit"]
    table.loc[11, "pour_date"] = "~1960"
    table = pd.concat([table, young_street(len(table))], ignore_index=True)  # last: the rows above keep their numbers
    table["geometry"] = table.geometry.affine_transform([1, 0, 0, 1, EAST, NORTH])
    table = table.set_crs(LOT_CRS)
    write_layer(table.drop(columns=["built", "short_ft", "long_ft"]), folder / "lots.gpkg", "lots")
    return table


# ---------------------------------------------------------------- buildings, roads, water
OUTLINED_UNTIL = 2018  # the picture that most outlines were drawn from is of early 2019; `STREET` is from its plans
NOT_OUTLINED = "Depot Addition"  # its sheet of the picture is missing
EAVES_M, FOOT_M = 0.3, 0.3048


def house(lot: Polygon, short: float, long: float, kind: str) -> list[Polygon]:
    """Return the roof outlines of a house on a lot: a rectangle, an L, a T, or a rectangle with a garage beside it.

    The sides are those of the slab in metres; the roof reaches `EAVES_M` beyond it. The first side of the lot is that
    along its street.
    """
    a, b, c = (np.array(corner) for corner in list(lot.exterior.coords)[:3])
    along, back = (b - a) / np.hypot(*(b - a)), (c - b) / np.hypot(*(c - b))
    wide, deep = short + 2 * EAVES_M, long + 2 * EAVES_M
    start = (a + b) / 2 - along * wide / 2 + back * min(7.0, max(np.hypot(*(c - b)) - deep - 2, 1.0))

    def corners(*points: tuple[float, float]) -> Polygon:
        return Polygon([np.round(start + along * u + back * v, 2) for u, v in points])

    if kind == "L":
        return [corners((0, 0), (wide, 0), (wide, 0.6 * deep), (0.7 * wide, 0.6 * deep), (0.7 * wide, deep), (0, deep))]
    if kind == "T":
        return [corners((0, 0), (wide, 0), (wide, 0.7 * deep), (0.8 * wide, 0.7 * deep), (0.8 * wide, deep),
                        (0.2 * wide, deep), (0.2 * wide, 0.7 * deep), (0, 0.7 * deep))]
    if kind == "garage":
        return [corners((0, 0), (wide, 0), (wide, 0.72 * deep), (0, 0.72 * deep)),
                corners((0, 0.72 * deep), (0.6 * wide, 0.72 * deep), (0.6 * wide, deep), (0, deep))]
    return [corners((0, 0), (wide, 0), (wide, deep), (0, deep))]


def write_buildings(folder: Path, lots: gpd.GeoDataFrame) -> None:
    """Write outlines of buildings from a picture of 2019 and from the plans of the young street; one crosses itself."""
    rng = np.random.default_rng(88)
    outlines: list[Polygon] = []
    for lot in lots.itertuples():
        kind = str(rng.choice(["rectangle", "L", "T", "garage"], p=[0.45, 0.3, 0.1, 0.15]))
        noise, shed, empty = rng.normal(0, 0.15, 2), rng.random() < 0.3, rng.random() < 0.3
        # the file says nothing about a house there
        vacant = empty and lot.pour_date == "" and pd.isna(lot.slab_width_ft)
        pictured = lot.built <= OUTLINED_UNTIL and lot.subdivision not in ("", NOT_OUTLINED)
        if lot.geometry is None or vacant or not (pictured or lot.subdivision == STREET):
            continue
        a, b, c, d = list(lot.geometry.exterior.coords)[:4]
        outline = lot.geometry if lot.geometry.is_valid else Polygon([a, c, b, d])
        outlines += house(outline, lot.short_ft * FOOT_M + noise[0], lot.long_ft * FOOT_M + noise[1], kind)
        if shed:
            a, _, c, d = (np.array(corner) for corner in list(outline.exterior.coords)[:4])
            spot = d + 2.0 * (c - d) / np.hypot(*(c - d)) + 1.5 * (a - d) / np.hypot(*(a - d))
            outlines.append(Polygon(np.round(spot + np.array([[0, 0], [3, 0], [3, 2.5], [0, 2.5]]), 2)))
    x0, y0, x1, y1 = outlines[0].bounds
    outlines[0] = Polygon([(x0, y0), (x1, y1), (x1, y0), (x0, y1)])  # corners in the wrong order: a bow-tie
    table = gpd.GeoDataFrame(geometry=outlines, crs=LOT_CRS)
    table.to_parquet(folder / "buildings.parquet", compression="zstd", index=False)


def write_context(folder: Path) -> None:
    """Write what a map shows under the lots: through roads and the young street with names, the creek and the parks."""
    def line(points: list[tuple[float, float]]) -> LineString:
        return LineString([(x + EAST, y + NORTH) for x, y in points])

    east = [line([(X[i][j], Y[i][j]) for j in range(4)]) for i in range(4)]
    north = [line([(X[i][j], Y[i][j]) for i in range(4)]) for j in range(4)]
    y = np.linspace(STREET_Y - 8, STREET_Y + 325, 14)
    street = line([(X[3][3], Y[3][3]), (1605, 1278), *zip(street_x(y), y, strict=True)])
    names = [f"Invented Road {k}" for k in range(1, 5)] + [f"Invented Avenue {k}" for k in range(1, 5)]
    roads = gpd.GeoDataFrame({"NAME": [*names, "Invented Street 1"]}, geometry=[*east, *north, street], crs=LOT_CRS)
    x = np.linspace(-900, 2700, 181)
    creek = LineString(np.column_stack([x + EAST, creek_y(x) + NORTH])).buffer(6)
    parks = [shapely.affinity.translate(park, EAST, NORTH) for park in PARKS]
    places = gpd.GeoDataFrame({"NAME": ["Invented Creek", *(f"Invented Park {k}" for k in range(1, len(parks) + 1))]},
                              geometry=[creek, *parks], crs=LOT_CRS)
    for table, name in ((roads, "roads.geojson"), (places, "places.geojson")):
        degrees_of = table.to_crs("EPSG:4326")
        degrees_of["geometry"] = shapely.set_precision(np.array(degrees_of.geometry), 1e-7)
        (folder / name).write_text(degrees_of.to_json(drop_id=True) + "\n", encoding="utf-8", newline="\n")


def write_layer(table: gpd.GeoDataFrame, path: Path, layer: str) -> None:
    """Write a GeoPackage whose bytes do not depend on the clock."""
    path.unlink(missing_ok=True)
    pyogrio.set_gdal_config_options({"OGR_CURRENT_DATE": "2025-11-01T00:00:00.000Z"})
    try:
        pyogrio.write_dataframe(table, path, layer=layer)
    finally:
        pyogrio.set_gdal_config_options({"OGR_CURRENT_DATE": None})


# ---------------------------------------------------------------- weather
NORMAL_MM = np.array([30, 40, 68, 86, 124, 116, 90, 82, 90, 78, 52, 42], dtype=float)
NORMAL_C = np.array([3.0, 5.2, 10.2, 15.0, 19.8, 25.0, 28.0, 27.2, 22.6, 16.0, 9.2, 4.2])
SPELLS = [  # first month, last month, rain factor, degrees warmer
    ("1980-05", "1980-10", 0.45, 2.0), ("1985-02", "1986-06", 1.35, -0.4), ("1988-04", "1989-04", 0.60, 0.8),
    ("1992-09", "1993-09", 1.50, -0.9), ("1995-07", "1996-06", 0.62, 0.4), ("1998-09", "1999-06", 1.35, 0.0),
    ("2000-06", "2000-10", 0.35, 1.6), ("2005-06", "2006-09", 0.66, 1.0), ("2007-03", "2007-09", 1.55, -0.8),
    ("2010-10", "2013-02", 0.64, 1.5), ("2015-04", "2016-05", 1.50, 0.2), ("2018-09", "2019-10", 1.45, -0.5),
    ("2021-11", "2023-05", 0.60, 1.0), ("2024-09", "2024-11", 0.50, 1.2), ("2025-01", "2025-05", 1.25, 0.0),
    ("2025-06", "2025-10", 0.48, 1.3),
]
CELLS = {"Z01": (0.95, 0.0), "Z02": (1.01, 0.2)}  # rain factor and degrees warmer; the east is a little wetter
LATITUDE_DEG = 37.9


def weather() -> pd.DataFrame:
    """Return monthly rain and mean temperature of both cells to 2025-10."""
    rng = np.random.default_rng(1980)
    months = pd.period_range("1980-01", "2025-10", freq="M")
    m = months.month.to_numpy() - 1
    factor, warmer = np.ones(len(months)), np.zeros(len(months))
    for first, last, rain, degree in SPELLS:
        inside = (months >= pd.Period(first)) & (months <= pd.Period(last))
        factor[inside], warmer[inside] = rain, degree
    shared = rng.gamma(4.2, 1 / 4.2, len(months))
    rows = []
    for cell, (rain, degree) in CELLS.items():
        own = rng.gamma(22.0, 1 / 22.0, len(months))
        mm = NORMAL_MM[m] * rain * factor * shared * own
        trend = 0.018 * (months.year.to_numpy() - 2002)
        celsius = NORMAL_C[m] + degree + warmer + trend - 0.5 * (shared - 1) + rng.normal(0, 1.2, len(months))
        rows.append(pd.DataFrame({"cell_id": cell, "year": months.year, "month": months.month, "mm": mm,
                                  "celsius": celsius}))
    return pd.concat(rows, ignore_index=True)


def evapotranspiration_mm(celsius: np.ndarray, month: np.ndarray) -> np.ndarray:
    """Return monthly potential evapotranspiration after Thornthwaite (1948) without the branch above 26.5 degrees."""
    normal = np.array([np.maximum(celsius[month == i], 0).mean() for i in range(1, 13)])
    heat = np.sum((normal / 5) ** 1.514)
    power = 6.75e-7 * heat**3 - 7.71e-5 * heat**2 + 1.792e-2 * heat + 0.49239
    middle = np.array([15, 45, 74, 105, 135, 162, 198, 228, 258, 288, 318, 344])
    tilt = 0.409 * np.sin(2 * np.pi * middle / 365 - 1.39)
    hours = 24 / np.pi * np.arccos(-np.tan(np.deg2rad(LATITUDE_DEG)) * np.tan(tilt))
    days = np.array([31, 28.25, 31, 30, 31, 30, 31, 31, 30, 31, 30, 31])
    return 16 * (10 * np.maximum(celsius, 0) / heat) ** power * (hours / 12 * days / 30)[month - 1]


def scores(record: pd.DataFrame, months: int) -> dict[str, np.ndarray]:
    """Return the normal score, by rank within the calendar month, of the sum of rain minus evapotranspiration."""
    from scipy.special import ndtri

    found = {}
    for cell, rows in record.groupby("cell_id"):
        balance = rows["mm"] - evapotranspiration_mm(rows["celsius"].to_numpy(), rows["month"].to_numpy())
        total = balance.rolling(months).sum()
        rank = total.groupby(rows["month"].to_numpy()).rank()
        count = total.groupby(rows["month"].to_numpy()).transform("count")
        found[str(cell)] = ndtri((rank - 0.44) / (count + 0.12)).to_numpy()  # Gringorten plotting position
    return found


def write_climate(folder: Path, record: pd.DataFrame) -> None:
    """Write the monthly record in inches and Fahrenheit, and the two cells."""
    kept = record[(record["year"] * 12 + record["month"]) <= LAST_MONTH[0] * 12 + LAST_MONTH[1]]
    out = io.StringIO()
    writer = csv.writer(out, lineterminator="\n")
    writer.writerow(["cell_id", "year", "month", "precip_in", "tavg_f"])
    for row in kept.itertuples():
        writer.writerow([row.cell_id, row.year, row.month, f"{row.mm / 25.4:.2f}", f"{row.celsius * 1.8 + 32:.1f}"])
    (folder / "climate.csv").write_bytes(out.getvalue().encode("utf-8"))
    west, south, east, north = REGION
    line_y = np.linspace(south, north, 25)
    line = [(CELL_LINE + 0.012 * np.sin((y - south) * 9) - 0.012 * np.sin((37.9 - south) * 9), y) for y in line_y]
    cells = gpd.GeoDataFrame({"cell_id": list(CELLS)}, crs="EPSG:4326", geometry=[
        Polygon([(west, south), *line, (west, north)]), Polygon([*line, (east, north), (east, south)])])
    write_layer(cells, folder / "climate_cells.gpkg", "climate_cells")


THRESHOLDS = (-0.524, -0.842, -1.282, -1.645, -2.054)  # normal scores of the 30, 20, 10, 5 and 2 per cent limits


def write_drought(folder: Path, record: pd.DataFrame) -> None:
    """Write weekly categories that follow the six-month balance; a week without drought is a row without a shape."""
    month_end = pd.period_range("1980-01", "2025-10", freq="M").end_time.normalize()
    days = np.array([(stamp.date() - date(1980, 1, 1)).days for stamp in month_end], dtype=float)
    score = scores(record, 6)
    west, south, east, north = REGION
    y = np.linspace(south, north, 13)
    rows = []
    day = FIRST_MAP
    while day <= LAST_MAP:
        now = (day - date(1980, 1, 1)).days
        at = {cell: float(np.interp(now, days[6:], values[6:])) for cell, values in score.items()}
        slope = (at["Z02"] - at["Z01"]) / 0.6  # per degree of longitude between the centres of the cells
        wander = 0.10 * np.sin(5 * (y - south) + day.toordinal() / 40)
        bands = [band(limit, at, slope, wander, y) for limit in THRESHOLDS]
        whole = box(west, south, east, north)
        dry = [whole if b is True else Polygon() if b is False else b.intersection(whole) for b in bands] + [Polygon()]
        present = 0
        for category in range(5):
            if day == EMPTY_CLASS_MAP and category == 1:
                continue
            inner = dry[category + 1] if not (day == EMPTY_CLASS_MAP and category == 0) else dry[2]
            shape = shapely.set_precision(dry[category].difference(inner), 1e-5)
            if shape.area > 1e-4:
                rows.append({"map_date": day.isoformat(), "DM": category, "geometry": shape})
                present += 1
        if not present:
            rows.append({"map_date": day.isoformat(), "DM": None, "geometry": None})
        day += timedelta(days=7)
    weeks = gpd.GeoDataFrame(rows, crs="EPSG:4326")
    weeks["DM"] = weeks["DM"].astype("Int64")
    weeks.to_parquet(folder / "drought_weekly.parquet", compression="zstd", index=False)


def band(limit: float, at: dict[str, float], slope: float, wander: np.ndarray, y: np.ndarray) -> Polygon | bool:
    """Return the ground that is as dry as a limit or drier: a shape, all of it (True) or none of it (False)."""
    middle = -98.9  # centre of the western cell
    low, high = (at["Z01"] + slope * (edge - middle) for edge in (-99.2, -98.0))
    if max(low, high) + 0.10 <= limit:
        return True
    if min(low, high) - 0.10 >= limit:
        return False
    x = middle + (limit + wander - at["Z01"]) / (slope if abs(slope) > 0.05 else 0.05)
    x = np.clip(x, -99.25, -97.95)
    side = -100.0 if slope > 0 else -97.0
    return Polygon([*zip(x, y, strict=True), (side, y[-1]), (side, y[0])]).buffer(0)


def write_grids(folder: Path, record: pd.DataFrame) -> None:
    """Write a six-month SPEI and a PDSI-like grid, one band per month, 2025-01 to 2025-08."""
    import rasterio
    from rasterio.transform import from_origin

    west, _, east, north = REGION
    lon = np.arange(west + 0.05, east, 0.1)
    first, last = (2025 - FIRST_YEAR) * 12, (2025 - FIRST_YEAR) * 12 + 8
    share = np.clip((lon + 98.9) / 0.6, 0, 1)
    for name, months, factor in (("spei_6", 6, 1.0), ("pdsi", 9, 2.5)):
        score = scores(record, months)
        field = [np.tile(score["Z01"][t] * (1 - share) + score["Z02"][t] * share, (10, 1)) for t in range(first, last)]
        values = np.round(factor * np.array(field), 2).astype(np.float32)
        with rasterio.open(folder / f"{name}.tif", "w", driver="GTiff", height=10, width=len(lon), count=len(values),
                           dtype="float32", crs="EPSG:4326", transform=from_origin(west, north, 0.1, 0.1),
                           nodata=-9999.0, compress="deflate") as grid:
            grid.write(values)
            for i in range(len(values)):
                grid.set_band_description(i + 1, f"2025-{i + 1:02d}")


def main(folder: Path) -> None:
    """Write every file of the example."""
    folder.mkdir(parents=True, exist_ok=True)
    write_soil(folder)
    lots = write_lots(folder)
    write_buildings(folder, lots)
    write_context(folder)
    record = weather()
    write_climate(folder, record)
    write_drought(folder, record)
    write_grids(folder, record)


def write_checksums(folder: Path, catalogue: Path) -> None:
    """Put the checksums of the written files into the catalogue."""
    text = catalogue.read_text(encoding="utf-8")
    for name in sorted(path.name for path in folder.iterdir()):
        digest = hashlib.sha256((folder / name).read_bytes()).hexdigest()
        pattern = rf'(path = "{folder.name}/{re.escape(name)}"\n(?:.+\n)*?sha256 = ")[^"]*"'
        text = re.sub(pattern, rf'\g<1>{digest}"', text)
    catalogue.write_text(text, encoding="utf-8")


if __name__ == "__main__":
    here = Path(__file__).resolve().parent
    main(Path(sys.argv[1]) if len(sys.argv) > 1 else here)
    if len(sys.argv) == 1:
        write_checksums(here, here.parent / "catalogue.toml")

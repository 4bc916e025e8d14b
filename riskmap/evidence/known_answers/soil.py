"""Known answers about shrink-swell of soils: 19-21 and further checks of indices."""

from __future__ import annotations

import numpy as np

from riskmap.estimates import cole_volume
from riskmap.evidence.known_answers.case import Case, NotIncluded, Tolerance, Value
from riskmap.evidence.published import expansion_index_d4829, house_limits, index_swell, suction_units
from riskmap.movement import kernels_soil
from riskmap.soil import shrink_swell

EXACT = Tolerance("text, exact")
ROUNDED = "rounding of the print"

# An invented profile: layers in cm, linear extensibility in %.
_TOP, _BOTTOM = np.array([0.0, 15, 60, 130]), np.array([15.0, 60, 130, 200])
_LEP = np.array([5.0, 9.5, 11.0, 7.0])


def _weighted(*windows: tuple[float, float]) -> list[float]:
    place = np.zeros(4, dtype=np.int64)
    return [float(shrink_swell.window_mean(place, _TOP, _BOTTOM, _LEP, 1, window_top_cm=a, window_bottom_cm=b)[0])
            for a, b in windows]


def _above_rock() -> list[float]:
    place = np.zeros(4, dtype=np.int64)
    return [float(shrink_swell.window_mean(place, np.minimum(_TOP, 80), np.minimum(_BOTTOM, 80), _LEP, 1,
                                           window_top_cm=25.0, window_bottom_cm=100.0)[0])]


def _vertic() -> list[float]:
    place = np.zeros(4, dtype=np.int64)
    mean = shrink_swell.window_mean(place, _TOP, _BOTTOM, _LEP, 1, window_top_cm=0.0, window_bottom_cm=100.0)
    return [float(mean[0])]  # % of 100 cm is cm


def _clods() -> list[float]:
    moist, dry = np.array([1.30, 1.10, 1.45, 1.20]), np.array([1.55, 1.75, 1.58, 1.70])
    lep = shrink_swell.lep_from_bulk_density(moist, dry)
    return [*lep, *cole_volume.volume_change_pct(lep)]


def _rating() -> list[float]:
    return [float(v) for v in shrink_swell.rating(np.array([3.0, 4.505, 6.01]))]


def _expansion() -> list[Value]:
    index = expansion_index_d4829.expansion_index(np.array([0.05, 0.12, 0.075]), np.array([1.0, 1.0, 1.25]))
    return [*(float(v) for v in index), *(str(v) for v in expansion_index_d4829.expansion_class(index.round(6)))]


def _by_code() -> list[Value]:
    test = expansion_index_d4829.expansive_by_code
    cases = ((15, 11, 11, None), (14, 50, 50, None), (30, 10, 50, None), (30, 50, 10, None), (5, 5, 5, 21), (5, 5, 5,
    20))
    return ["yes" if test(*case) else "no" for case in cases]


def _compression() -> list[float]:
    return [float(kernels_soil.compression_index(lep, 20.0, 2.97)) for lep in (1.0, 3.0, 6.0, 9.0, 12.0, 15.0)]


_PLASTICITY = np.array([10.0, 15, 20, 28, 35, 41, 55])
_COLE = np.array([1.0, 3.0, 6.0, 9.0, 12.0, 15.0])

CASES = (
    Case("19a", "volume change from COLE, rating breaks", "Iowa soil-judging text, Table 3 (after Hallberg)", "seen",
         (3.0, 9.0, 19.0, 33.0), "%", Tolerance("the breaks are printed as whole per cent", absolute=0.3),
         lambda: cole_volume.volume_change_pct(np.array([1.0, 3.0, 6.0, 10.0]))),
    Case("19b", "volume change from COLE, equation", "(1 + COLE)^3 - 1", "computed", (3.03, 9.27, 19.10, 33.10), "%",
         Tolerance(ROUNDED, absolute=0.005), lambda: cole_volume.volume_change_pct(np.array([1.0, 3.0, 6.0, 10.0]))),
    Case("19c", "classes of linear extensibility at their edges",
         "soil web glossary of a university quoting NSSH 430-VI", "seen",
         ("low", "moderate", "moderate", "high", "high", "very high"), "class", EXACT,
         lambda: shrink_swell.shrink_swell_class(np.array([2.99, 3.0, 5.99, 6.0, 8.99, 9.0]))),
    Case("19d", "extensibility, volume change from bulk densities", "COLE = (Dbd/Dbm)^(1/3) - 1 (from memory)",
         "from memory", (6.04, 16.74, 2.90, 12.31, 19.23, 59.09, 8.97, 41.67), "%", Tolerance(ROUNDED, absolute=0.0051),
         _clods),
    Case("20a", "weighted extensibility over five windows", "rule 'Shrink-Swell (LEP WTD_AVG 25-100cm or Bedrock)'",
         "computed", (9.425, 10.300, 9.940, 9.385, 8.812), "%", Tolerance(ROUNDED, absolute=0.0006),
         lambda: _weighted((0, 100), (25, 100), (25, 150), (0, 152), (0, 200))),
    Case("20b", "the same over 25-100 cm above rock at 80 cm", "the same rule", "computed", (10.045,), "%",
         Tolerance(ROUNDED, absolute=0.001), _above_rock),
    Case("20c", "linear extensibility of the upper 100 cm", "LE = sum(COLE x thickness), vertic test (from memory)",
         "from memory", (9.43,), "cm", Tolerance(ROUNDED, absolute=0.006), _vertic),
    Case("20d", "shrink-swell rating at 3, 4.505 and 6.01 %", "evaluation 18500 of the survey's interpretation rules",
         "seen", (0.0, 0.5, 1.0), "", Tolerance("exact by definition", absolute=1e-12), _rating),
    Case("S1", "volume strain per pF on a span of 3.0 pF", "COLE route (McKeen; from memory)", "from memory",
         (0.0101, 0.0309, 0.0637, 0.0983, 0.1350, 0.1736), "1/pF", Tolerance(ROUNDED, absolute=5.1e-5),
         lambda: cole_volume.compression_index(_COLE)),
    Case("S2", "volume strain per pF of the core, span 2.97 pF", "notebooks/method.md, section 6, to three digits",
         "computed", (0.0102, 0.0312, 0.0643, 0.0993, 0.136, 0.175), "1/pF",
         Tolerance("rounding of the print, three digits", absolute=5.1e-5, relative=0.003), _compression),
    Case("S3", "pF to kPa", "pF = log10(cm of water), 0.0980665 kPa per cm", "computed",
         (9.81, 31.0, 98.07, 155.4, 390.4, 618.8, 1234.6, 1554, 3101, 31011, 980665), "kPa",
         Tolerance(ROUNDED, relative=5e-4),
         lambda: suction_units.kpa_from_pf(np.array([2.0, 2.5, 3.0, 3.2, 3.6, 3.8, 4.1, 4.2, 4.5, 5.5, 7.0]))),
    Case("S4", "kPa to pF", "the same", "computed", (2.0085, 2.5270, 3.0085, 4.0085, 4.1846), "pF",
         Tolerance(ROUNDED, absolute=5.1e-5),
         lambda: suction_units.pf_from_kpa(np.array([10.0, 33, 100, 1000, 1500]))),
    Case("S5", "expansion index and class", "UFC 3-220-10 Eq. 1-6 and its test set; classes of a state page",
         "seen, secondary copy", (50.0, 120.0, 60.0, "low", "high", "medium"), "EI, class",
         Tolerance("rounding of floating point", absolute=1e-9), _expansion),
    Case("S6", "expansion index brought to 50 % saturation", "EI - (50 - S)(65 + EI)/(220 - S) (from memory)",
         "from memory", (56.4, 63.8, 120.9), "EI", Tolerance(ROUNDED, absolute=0.051),
         lambda: expansion_index_d4829.at_half_saturation(np.array([60.0, 60, 110]), np.array([45.0, 55, 60]))),
    Case("S7", "building-code definition of expansive soil", "IBC as in UFC 3-220-10 (secondary copy)",
         "seen, secondary copy", ("yes", "no", "no", "no", "yes", "no"), "yes/no", EXACT, _by_code),
    Case("S8", "swell from plasticity index, Seed et al.", "S = 0.00216 PI^2.44", "seen, secondary copy",
         (0.595, 1.600, 3.228, 7.337, 12.647, 18.606, 38.10), "%", Tolerance(ROUNDED, absolute=0.0051),
         lambda: index_swell.seed_pct(_PLASTICITY)),
    Case("S9", "swell from plasticity index, Chen 1988", "S = 0.2558 exp(0.0838 PI) (from memory)", "from memory",
         (0.59, 0.90, 1.37, 2.67, 4.80, 7.94, 25.7), "%", Tolerance(ROUNDED, absolute=0.0051, relative=0.002),
         lambda: index_swell.chen_pct(_PLASTICITY)),
    Case("S10", "swell from liquid limit, Vijayvergiya", "log10 S = (0.44 LL - w + 5.5)/12 (from memory)",
         "from memory",
         (9.81, 13.34), "%", Tolerance(ROUNDED, absolute=0.0051),
         lambda: index_swell.vijayvergiya_pct(np.array([60.0, 75]), np.array([20.0, 25]))),
    Case("S11", "zone of influence of trees", "NHBC Standards 4.2, Table 3b and the worked example", "seen",
         (31.25, 16.5, 35.0), "m", Tolerance("exact", absolute=1e-9),
         lambda: [house_limits.tree_radius_m(h, d) for h, d in ((25.0, "high"), (22.0, "moderate"), (28.0, "high"))]),
)

NOT_INCLUDED = (
    NotIncluded("21", "COLE from clod densities on laboratory pedons",
                "no open file at hand has both densities and the laboratory's own COLE of the same sample"),
    NotIncluded("-", "zone charts of Covar and Lytton", "chart values not seen; not coded from memory"),
    NotIncluded("-", "printed formulas of the soil survey handbook, part 618", "only its class table was read"),
)

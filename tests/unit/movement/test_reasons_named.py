"""Reasons in words: the largest three of soil, age, weather and slab; gaps in the data are not a reason."""

from __future__ import annotations

import numpy as np
import pandas as pd

from riskmap.movement import reasons


def test_gaps_are_a_part_and_never_a_reason() -> None:
    parts = pd.DataFrame({"part_soil_mm": [9.0, -1.0, 0.0], "part_age_mm": [-2.0, 3.0, 0.0],
                          "part_weather_mm": [4.0, 2.0, 0.0], "part_slab_mm": [1.0, -8.0, 0.0],
                          "part_gaps_mm": [50.0, -50.0, 7.0]})
    named = reasons.ranked(parts)
    assert named[[f"reason_{n}" for n in (1, 2, 3)]].to_numpy().tolist() == [
        ["more expansive soil", "weather up to today", "age and pour date"],
        ["a slab that bends less", "age and pour date", "weather up to today"],
        ["more expansive soil", "age and pour date", "weather up to today"]]  # equal sizes: in the order of the factors
    np.testing.assert_array_equal(named[[f"reason_{n}_mm" for n in (1, 2, 3)]].to_numpy(),
                                  [[9.0, 4.0, -2.0], [-8.0, 3.0, 2.0], [0.0, 0.0, 0.0]])


def test_the_sentence_of_the_tables_names_the_typical_lot_and_no_gaps() -> None:
    row = {"expected_movement_mm": 36.0, "expected_movement_mm_p10": 12.0, "expected_movement_mm_p90": 60.0,
           "typical_lot_mm": 13.0, "reason_1": "more expansive soil", "reason_1_mm": 17.2,
           "reason_2": "weather up to today", "reason_2_mm": 6.4, "reason_3": "age and pour date", "reason_3_mm": 0.2}
    assert reasons.sentences(pd.DataFrame([row])) == [
        "Expected movement 36 mm, range 12 to 60; the typical lot here has 13 mm. Reasons: more expansive soil +17 mm, "
        "weather up to today +6 mm."]

"""The map's data block beside the tables: same rows, same order, same numbers and texts, nulls kept."""

from __future__ import annotations

import numpy as np
import pytest
from hostile_texts import TEXTS, spread
from invented_results import results
from test_outputs_encode import decoded, ids_of

from riskmap.outputs.files import rounding
from riskmap.outputs.map import data_block


@pytest.mark.parametrize("hostile", [False, True])
def test_the_map_has_the_values_of_the_tables(hostile: bool) -> None:
    made = results(max(60, len(TEXTS) + 5))
    lots = rounding.rounded(spread(made) if hostile else made).lots
    head, arrays = decoded(data_block.block(lots, {}))
    entries = {entry["name"]: entry for entry in head["arrays"]}
    assert ids_of(head, arrays) == list(lots["lot_id"])
    for name, step in {**data_block.OWN_STEPS, **data_block.SHARED_STEPS}.items():
        values = arrays[name][arrays["row"]] if entries[name].get("shared") else arrays[name]
        told = np.where(values == head["missing"], np.nan, values * step)
        np.testing.assert_allclose(told, lots[name].to_numpy(float), atol=step / 2 + 1e-9, rtol=0, err_msg=name)
        if name.endswith("_mm") and not name.startswith(rounding.PARTS) and step == 0.1:
            np.testing.assert_allclose(told, lots[name].to_numpy(float), atol=1e-9, rtol=0, err_msg=name)
    for name in data_block.SHARED_TEXTS:
        told = [head["texts"][name][code] for code in arrays[name][arrays["row"]]]
        assert told == [str(value) for value in lots[name]], name

"""QGIS itself opens the GeoPackage and applies the style. Runs where QGIS with its Python is installed."""

from __future__ import annotations

import json
import os
import shutil
import subprocess
from pathlib import Path

import pytest
from invented_results import results

from riskmap.common import tables
from riskmap.outputs import palette
from riskmap.outputs.files import geopackage, rounding

PYTHON = next((path for path in ("/usr/bin/python3",) if shutil.which(path)), None)
CODE = """
import json, sys
from qgis.core import Qgis, QgsApplication, QgsVectorLayer
app = QgsApplication([], False)
app.initQgis()
layer = QgsVectorLayer(sys.argv[1] + "|layername=lots", "lots", "ogr")
rules = layer.renderer().rootRule().children()
told = {"version": Qgis.version(), "valid": layer.isValid(), "rows": layer.featureCount(),
        "kind": layer.renderer().type(),
        "rules": [[rule.label(), rule.filterExpression(), rule.symbol().symbolLayer(0).fillColor().name(),
                   sum(1 for _ in layer.getFeatures(rule.filterExpression()))] for rule in rules]}
print("TOLD" + json.dumps(told))
"""


def _has_qgis() -> bool:
    if PYTHON is None:
        return False
    done = subprocess.run([PYTHON, "-c", "import qgis.core"], capture_output=True, check=False)
    return done.returncode == 0


@pytest.mark.skipif(not _has_qgis(), reason="QGIS is not installed: its reading of the style is NOT TESTED")
def test_qgis_applies_the_style_on_opening(tmp_path: Path) -> None:
    found = rounding.rounded(results())
    geopackage.write(found, tmp_path)
    done = subprocess.run([str(PYTHON), "-c", CODE, str(tmp_path / "lots.gpkg")], text=True, check=True, timeout=120,
                          capture_output=True, env={**os.environ, "QT_QPA_PLATFORM": "offscreen"})
    told = json.loads(done.stdout.split("TOLD", 1)[1])
    assert told["valid"]
    assert told["rows"] == len(found.lots)
    assert told["kind"] == "RuleRenderer"
    bands = told["rules"][:len(palette.SIZE)]
    assert [color for _, _, color, _ in bands] == list(palette.SIZE)
    assert [label for label, *_ in told["rules"][len(bands):]] == list(tables.STATES.values())
    assert sum(count for *_, count in told["rules"]) == len(found.lots)

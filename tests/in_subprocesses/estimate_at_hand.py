"""Everything that an estimate loads once per process: libraries, the digests of the code, compiled equations."""

import folium  # noqa: F401
import numpy as np

import riskmap.api.runs
import riskmap.cli.main
import riskmap.layers.climate_area
import riskmap.layers.lots_vector
import riskmap.layers.soil_ssurgo
import riskmap.movement.growth
import riskmap.movement.reasons
import riskmap.movement.run_draws
import riskmap.outputs.files.geopackage
import riskmap.outputs.files.xlsx
import riskmap.outputs.map.web_map
import riskmap.run.products  # noqa: F401
from riskmap.movement import kernels
from riskmap.run import code_digest

for stage in ("movement", "soil", "estimate"):
    code_digest.digest_bytes(stage)
kernels.project(np.zeros((2, 3)), np.zeros(2), 0, np.zeros(3))  # what the compiler loads before its first function

"""How a run is carried out and stored: the flow, parts and workers, reuse, the run folder with its record and manifest.

In: an area file. Out: a new folder under `outputs/`, complete or not at all. `flow` is the only module that knows the
order of the stages.
"""

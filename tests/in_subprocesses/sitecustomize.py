"""Read by every Python that a test starts: models of strips come from where the whole test session shares them.

Nothing else differs. A run still looks into its own store first and puts every model there, so that what is kept, and
when, is as without this; only building a model that another process of the session has built is spared.
"""

import importlib.util
import os
import sys

FOLDER, CODE = "RISKMAP_TEST_MODELS", "RISKMAP_TEST_SHARED_RUNS"


class SharesModels:
    """Finds the two modules that know of models as usual, and lets them share once they have been executed."""

    def find_spec(self, name, path=None, target=None):
        if name not in ("riskmap.run.reuse", "riskmap.movement.reduced_model"):
            return None
        sys.meta_path.remove(self)
        try:
            spec = importlib.util.find_spec(name)
        finally:
            sys.meta_path.insert(0, self)
        if spec is None:
            return None
        execute = spec.loader.exec_module

        def execute_and_share(module):
            execute(module)
            code = importlib.util.spec_from_file_location("shared_runs_of_tests", os.environ[CODE])
            shared_runs = importlib.util.module_from_spec(code)
            sys.modules[code.name] = shared_runs  # dataclasses look for it
            code.loader.exec_module(shared_runs)
            shared_runs.share_in(module, os.environ[FOLDER])

        spec.loader.exec_module = execute_and_share
        return spec


if os.environ.get(FOLDER) and os.environ.get(CODE):
    sys.meta_path.insert(0, SharesModels())

"""Stage 8: the writers of a run's products.

In: `common.results.Results` and a folder. Out: files. Every writer is one module with `write(results, folder) -> Path`;
none changes a value, drops a row or reorders. Data never reaches a template, a formula or a file name. `files` holds
tables, `map` the two map pages; which products a run writes is in `run/products.py`.
"""

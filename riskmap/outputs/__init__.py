"""Stage 8: the writers of a run's products.

In: `common.results.Results` and a folder. Out: files. Every writer is one module with `write(results, folder) -> Path`;
none changes a value, drops a row or changes the order. Data never reach a template, a formula or a file name. `files`
writes tables, `map` the two map pages; which products a run writes is in `run/products.py`.
"""

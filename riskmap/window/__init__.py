"""The page on this computer: `riskmap open`. It is a face of `riskmap.api` and computes nothing.

In: a folder of areas, and what a person does in a browser of this computer. Out: per area a folder with the files as
they were given (`files/`), `area.toml` and `outputs/`, exactly as the commands would leave them.

`server.opened` binds the address and serves the pages. `guard` decides which requests are answered, `uploads` writes
files to the disk, `areas` knows the folders, `jobs` keeps processes that do the work, and `tasks` is what they do.
"""

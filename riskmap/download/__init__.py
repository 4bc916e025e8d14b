"""The only door to the network: soil survey, weekly drought maps and monthly climate from their public services.

An edge like `layers`: only `api` imports it, and it imports only errors, units, constants, tables and
settings; no stage knows it, so an estimate never needs a network. In: a place or a span of dates. Out: files in the
layout that `layers` reads, each with a `.provenance` beside it (JSON: address, UTC time, sha256, bytes, licence,
credit line). What arrives is checked before it is kept: `client` guards the connection, `cache` what is stored,
`soil`, `drought`, `climate`, `outlines` and `stations` know their service, and `area` fetches all that a map needs
around lots. Nothing heavy and no network library is imported here.
"""

from __future__ import annotations

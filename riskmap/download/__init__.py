"""The only access to the network: soil survey, weekly drought maps and monthly climate from their public services.

It is an edge of the program, like `layers`: only `api` imports it, and it imports only errors, units, constants, tables
and settings. No stage knows it, so an estimate never needs a network. In: a place or a span of dates. Out: files in the
layout that `layers` reads, each with a `.provenance` file next to it (JSON: address, UTC time, sha256, bytes, licence,
credit line). What arrives is checked before it is stored: `client` guards the connection and `cache` the stored
answers; `soil`, `drought`, `climate`, `outlines` and `stations` know their services, and `area` fetches all that a map
needs around lots. Nothing heavy and no network library is imported here.
"""

from __future__ import annotations

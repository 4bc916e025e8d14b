"""Make the typeface of riskmap from Inter: `python notebooks/make_type.py FOLDER`.

Only maintainers run it, by hand, and only when the characters or the source change; nobody who installs riskmap needs
it. FOLDER is the package `@expo-google-fonts/inter` 0.4.2 of the npm registry, unpacked. It needs fonttools and brotli
(the extra `dev`). Files with another content than the one named here are refused. Equal input and equal versions of
both libraries give equal files.
"""

from __future__ import annotations

import hashlib
import sys
from pathlib import Path

from fontTools import subset
from fontTools.ttLib import TTFont

PLACE = Path(__file__).resolve().parents[1] / "riskmap" / "outputs" / "type"
FAMILY = "Riskmap Sans"
# Inter 4.001, static, as published in the package; the SHA-256 were computed from its files.
SOURCES = {
    "Regular": ("400Regular/Inter_400Regular.ttf", "a414b48aa577ef2c62ebb135341ddeef33ee26a4f5dc9f787f93c1aab08ebb50"),
    "Bold": ("700Bold/Inter_700Bold.ttf", "fbe825cbfc749317f57a1433d3905aa9d3f388732fd29b8e8a36f34845e3bc3e"),
}
LICENCE = "LICENSE_FONT"
SIGNS = "−±≥≤×°½¼¾⅓⅔⅛–—…→←↑↓▲▼✓‹›″′≈√²³●○◆‘’“”•€"
ABSENT = {0xAD, 0x149}  # soft hyphen and n with apostrophe, which Inter does not have
WANTED = ({*range(0x20, 0x7F), *range(0xA0, 0x180)} | {ord(sign) for sign in SIGNS}) - ABSENT
EQUALLY_WIDE = "0123456789+−±.,"  # written with their tabular glyphs, so that nothing has to ask for a font feature
DROPPED = ["DSIG", "STAT", "prep", "fpgm", "cvt ", "gasp"]


def tabular(font: TTFont) -> dict[str, str]:
    """Return the tabular glyph of each glyph that has one."""
    table, found = font["GSUB"].table, {}
    for record in table.FeatureList.FeatureRecord:
        if record.FeatureTag == "tnum":
            for index in record.Feature.LookupListIndex:
                for part in table.LookupList.Lookup[index].SubTable:
                    found.update(getattr(part, "ExtSubTable", part).mapping)
    return found


def made(source: Path) -> TTFont:
    """Return the subset of a font under our name, without hints, with the tabular figures in their place."""
    font = TTFont(source, recalcTimestamp=False)
    other = tabular(font)
    for table in font["cmap"].tables:
        for sign in EQUALLY_WIDE:
            if ord(sign) in table.cmap:
                was = table.cmap[ord(sign)]
                table.cmap[ord(sign)] = other.get(was, was)  # tables that are one object are met twice
    unchanged = [sign for sign in EQUALLY_WIDE if font.getBestCmap()[ord(sign)] not in other.values()]
    if unchanged:
        raise SystemExit(f"{source}: no tabular glyph for {' '.join(unchanged)}")
    lacking = WANTED - font.getBestCmap().keys()
    if lacking:
        raise SystemExit(f"{source}: these characters are missing: {''.join(map(chr, sorted(lacking)))}")
    options = subset.Options()
    options.hinting, options.layout_features = False, ["kern", "mark", "mkmk", "ccmp"]
    options.name_IDs, options.drop_tables = [0, 1, 2, 3, 4, 5, 6, 8, 9, 13, 14], [*options.drop_tables, *DROPPED]
    options.notdef_outline, options.glyph_names, options.recalc_timestamp = True, False, False
    cut = subset.Subsetter(options)
    cut.populate(unicodes=sorted(WANTED))
    cut.subset(font)
    style = font["name"].getDebugName(2)
    ours = {1: FAMILY, 2: style, 3: f"4.001;{FAMILY} {style}", 4: f"{FAMILY} {style}",
            5: f"{font['name'].getDebugName(5)}; subset with tabular figures",
            6: f"{FAMILY.replace(' ', '')}-{style}"}
    for name in font["name"].names:
        if name.nameID in ours:
            name.string = ours[name.nameID]
    return font


def main() -> None:
    """Write both weights as TTF and WOFF2, the licence, and the file of their SHA-256."""
    if len(sys.argv) != 2:
        raise SystemExit("Usage: python notebooks/make_type.py FOLDER (the unpacked package @expo-google-fonts/inter)")
    package = Path(sys.argv[1])
    for weight, (name, wanted) in SOURCES.items():
        if hashlib.sha256((package / name).read_bytes()).hexdigest() != wanted:
            raise SystemExit(f"{package / name} is not the file of Inter 4.001 that riskmap was made from.")
        font = made(package / name)
        font.save(PLACE / f"RiskmapSans-{weight}.ttf", reorderTables=None)
        font.flavor = "woff2"
        font.save(PLACE / f"RiskmapSans-{weight}.woff2", reorderTables=None)
    (PLACE / "LICENSE-riskmap-sans").write_bytes((package / LICENCE).read_bytes())
    sums = [f"{hashlib.sha256(path.read_bytes()).hexdigest()}  {path.name}" for path in sorted(PLACE.iterdir())
            if path.name != "SHA256SUMS"]
    (PLACE / "SHA256SUMS").write_text("\n".join(sums) + "\n", encoding="utf-8")


if __name__ == "__main__":
    main()

"""Make the pictures of README.md and of `pictures/map/` from the example town.

Call `python notebooks/make_pictures.py` after `riskmap demo`. It needs Chromium and its driver, and contacts no host.
`pictures/window/` shows what nobody needs a terminal for: the start file and the page of a run in `riskmap open`.
`pictures/map/` shows the map as different readers and devices do: wide and narrow windows, a phone, paper, grey, kinds
of colour vision as the browser simulates them, forced colours, text at 200 %.
"""

from __future__ import annotations

import base64
import html
import io
import shutil
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, Any

from riskmap.answers import screen, screen_table
from riskmap.answers.brief import pdf
from riskmap.answers.brief import visits as briefing
from riskmap.outputs import palette, typeface
from riskmap.outputs.map import tile_page
from riskmap.run import files, folder, manifest, record
from riskmap.window import shortcut

if TYPE_CHECKING:
    from selenium import webdriver

ROOT = Path(__file__).resolve().parents[1]
PICTURES = ROOT / "notebooks" / "pictures"
FLAGS = ("--headless=new", "--no-sandbox", "--disable-gpu", "--host-resolver-rules=MAP * ~NOTFOUND, EXCLUDE 127.0.0.1",
         "--force-device-scale-factor=1", "--hide-scrollbars")
COLORS = 256  # of a picture: drawings need few, and files stay small
CHOSEN = "document.querySelectorAll('#lots li')[25].click();"
WEEKS = ("const s = document.getElementById('layer'); s.value = 'weeks'; s.dispatchEvent(new Event('change'));"
         "document.getElementById('two-weeks').click();")
WIDE, DESK, PHONE = (1920, 1080), (1400, 900), (390, 844)


@contextmanager
def browser() -> Iterator[webdriver.Chrome]:
    """Start a browser that can reach no host but this computer."""
    from selenium import webdriver

    options = webdriver.ChromeOptions()
    options.binary_location = str(shutil.which("chromium"))
    for flag in FLAGS:
        options.add_argument(flag)
    driver = webdriver.Chrome(options=options, service=webdriver.ChromeService(str(shutil.which("chromedriver"))))
    try:
        yield driver
    finally:
        driver.quit()


def shot(driver: webdriver.Chrome, page: Path, target: Path, size: tuple[int, int], script: str = "",
         asked: tuple[Path, ...] = (), **media: Any) -> None:
    """Save what a browser shows of a page.

    Parameters
    ----------
    driver : Chrome
    page : Path
        The page.
    target : Path
        The picture.
    size : (int, int)
        Width and height of the window in CSS px; below 500 px it is a phone.
    script : str
        Runs when the page is ready.
    asked : tuple of Path
        Files that the page asks for.
    media : dict
        `vision` (a kind of colour vision), `forced` (forced colours), `zoom` (size of all text and figures).
    """
    zoom = media.get("zoom", 1)
    driver.execute_cdp_cmd("Emulation.setDeviceMetricsOverride", {
        "width": size[0] // zoom, "height": size[1] // zoom, "deviceScaleFactor": zoom, "mobile": size[0] < 500})
    driver.execute_cdp_cmd("Emulation.setEmulatedVisionDeficiency", {"type": media.get("vision", "none")})
    driver.execute_cdp_cmd("Emulation.setEmulatedMedia", {"features": [
        {"name": "forced-colors", "value": "active" if media.get("forced") else "none"}]})
    driver.get(page.as_uri())
    for file in asked:
        driver.find_element("id", "file").send_keys(str(file))
    time.sleep(2.0)
    if script:
        driver.execute_script(script)
        time.sleep(1.0)
    saved(base64.b64decode(driver.get_screenshot_as_base64()), target)


def saved(png: bytes, target: Path) -> None:
    """Save a picture with few colours."""
    from PIL import Image

    target.parent.mkdir(exist_ok=True)
    Image.open(io.BytesIO(png)).convert("RGB").quantize(COLORS, dither=Image.Dither.NONE).save(target, optimize=True)


def map_pictures(driver: webdriver.Chrome, page: Path, county: Path) -> None:
    """Save the pictures of both maps."""
    place = PICTURES / "map"
    for name, size, script, media in (
            ("desk", DESK, "", {}), ("desk-lot", DESK, CHOSEN, {}), ("wide-lot", WIDE, CHOSEN, {}),
            ("two-weeks", DESK, WEEKS, {}), ("phone", PHONE, "", {}), ("phone-lot", PHONE, CHOSEN, {}),
            ("grey", DESK, "", {"vision": "achromatopsia"}), ("protanopia", DESK, "", {"vision": "protanopia"}),
            ("deuteranopia", DESK, "", {"vision": "deuteranopia"}), ("tritanopia", DESK, "", {"vision": "tritanopia"}),
            ("forced-colours", DESK, CHOSEN, {"forced": True}), ("at-200-percent", DESK, CHOSEN, {"zoom": 2})):
        shot(driver, page, place / f"{name}.png", size, script, **media)
    for name, size in (("county", DESK), ("county-phone", PHONE)):
        shot(driver, county, place / f"{name}.png", size, asked=(county.with_name("county.pmtiles"),))


def window_pictures(driver: webdriver.Chrome, run: Path, place: Path) -> None:
    """Save the pictures of `riskmap open`: its start file, and the page of a run on a desk and on a phone."""
    area = place / "areas" / "example-town"
    (area / "files").mkdir(parents=True)
    shutil.copytree(run, area / "outputs" / run.name)
    running = subprocess.Popen([sys.executable, "-m", "riskmap", "open", str(area.parent), "--no-browser"],
                               stdout=subprocess.PIPE, text=True)
    try:
        assert running.stdout is not None
        address = running.stdout.readline().strip()
        for name, size in (("desk", DESK), ("phone", PHONE)):
            driver.execute_cdp_cmd("Emulation.setDeviceMetricsOverride", {
                "width": size[0], "height": size[1], "deviceScaleFactor": 1, "mobile": size[0] < 500})
            driver.get(address)
            driver.get(f"{address.split('/?')[0]}/areas/{area.name}/runs/{run.name}")
            time.sleep(6.0)
            saved(base64.b64decode(driver.get_screenshot_as_base64()), PICTURES / "window" / f"{name}.png")
    finally:
        running.terminate()
        running.wait()
    shot(driver, start_page(place), PICTURES / "window" / "start.png", (700, 300))


def start_page(place: Path) -> Path:
    """Write a page that shows the start file of each system and what is in the one for Linux, and return it."""
    names = "".join(f"<li><b>{html.escape(name)}</b> {html.escape(system)}</li>" for name, system in (
        (shortcut.NAMES["linux"], "Linux"), (shortcut.NAMES["darwin"], "macOS"), (shortcut.NAMES["win32"], "Windows")))
    content = shortcut.text("linux", "/home/me/riskmap/.venv/bin/python", "/home/me/riskmap-areas")
    page = place / "start.html"
    page.write_text(
        f"<!DOCTYPE html><html lang=en><meta charset=utf-8><title>Start file</title><style>{typeface.css()}"
        f"body{{font:16px/24px '{typeface.FAMILY}',sans-serif;margin:24px;color:{palette.INK};"
        f"background:{palette.PAPER}}}"
        f"ul{{list-style:none;padding:0;display:flex;gap:32px}}pre{{white-space:pre-wrap;background:{palette.FIELD};"
        "padding:12px;font-size:14px;line-height:20px}</style><p>Written by <b>riskmap open --shortcut</b>, started by "
        f"a double click:</p><ul>{names}</ul><pre>{html.escape(content)}</pre></html>", encoding="utf-8")
    return page


def plate(driver: webdriver.Chrome, page: Path) -> None:
    """Save the map and the chosen lot as they are printed, where the reader of PDF files for that is installed."""
    try:
        import pypdfium2
    except ImportError:
        print("pypdfium2 is not installed: pictures/map/plate-*.png stay as they are")
        return
    driver.execute_cdp_cmd("Emulation.clearDeviceMetricsOverride", {})
    driver.get(page.as_uri())
    time.sleep(2.0)
    driver.execute_script(CHOSEN)
    time.sleep(1.0)
    made = driver.execute_cdp_cmd("Page.printToPDF", {"preferCSSPageSize": True, "printBackground": True})
    for k, sheet in enumerate(pypdfium2.PdfDocument(base64.b64decode(made["data"])), start=1):
        held = io.BytesIO()
        sheet.render(scale=1.6).to_pil().save(held, "PNG")
        saved(held.getvalue(), PICTURES / "map" / f"plate-{k}.png")


def main() -> None:
    """Write all pictures."""
    run = folder.find("latest", ROOT / "outputs")
    found = record.read(run)
    about = {"run": run.name, "manifest": manifest.sha256(run / files.NAME)[:12]}
    visits = briefing.page_list(found, ["0010021"], None, None)
    year, month = (int(part) for part in found.today.split("-"))
    values = {"title": "lots", "year": year, "month": month, "pages": briefing.pages(found, visits, "us", about)}
    saved(pdf.compiled("page.typ", values, "letter", "png", 90.0)[0], PICTURES / "brief.png")
    listing = screen.read(ROOT / "layers" / "example" / "listings.csv", {"lot_id": "parcel"})
    done = screen.screen(found, listing, columns={"lot_id": "parcel"})
    told = {"list": listing.name, "run": about["run"], "today": found.today, "manifest": about["manifest"]}
    with tempfile.TemporaryDirectory() as place, browser() as driver:
        screen_table.write(done, told, Path(place))
        shot(driver, Path(place) / "screened.html", PICTURES / "screen.png", (1000, 760))
        shot(driver, run / "map.html", PICTURES / "map.png", DESK, CHOSEN)
        county = tile_page.write(found, Path(place))[0]
        map_pictures(driver, run / "map.html", county)
        plate(driver, run / "map.html")
        window_pictures(driver, run, Path(place))


if __name__ == "__main__":
    main()

"""Make the pictures of README.md from the example town: `python notebooks/make_pictures.py` after `riskmap demo`.

It needs Chromium and its driver, and contacts no host.
"""

from __future__ import annotations

import shutil
import tempfile
from pathlib import Path

from riskmap.answers import screen, screen_table
from riskmap.answers.brief import pdf
from riskmap.answers.brief import visits as briefing
from riskmap.run import folder, manifest, record

ROOT = Path(__file__).resolve().parents[1]
PICTURES = ROOT / "notebooks" / "pictures"
FLAGS = ("--headless=new", "--no-sandbox", "--disable-gpu", "--host-resolver-rules=MAP * ~NOTFOUND",
         "--force-device-scale-factor=1")


def shot(page: Path, target: Path, size: str, script: str = "") -> None:
    """Save what a browser shows of a page."""
    from selenium import webdriver

    options = webdriver.ChromeOptions()
    options.binary_location = str(shutil.which("chromium"))
    for flag in (*FLAGS, f"--window-size={size}"):
        options.add_argument(flag)
    driver = webdriver.Chrome(options=options, service=webdriver.ChromeService(str(shutil.which("chromedriver"))))
    try:
        driver.get(page.as_uri())
        driver.implicitly_wait(10)
        if script:
            driver.find_element("css selector", "#lots li")
            driver.execute_script(script)
        driver.save_screenshot(str(target))
    finally:
        driver.quit()


def main() -> None:
    """Write the three pictures."""
    run = folder.find("latest", ROOT / "outputs")
    found = record.read(run)
    about = {"run": run.name, "manifest": manifest.sha256(run / manifest.NAME)[:12]}
    visits = briefing.page_list(found, ["0010021"], None, None)
    year, month = (int(part) for part in found.today.split("-"))
    values = {"title": "lots", "year": year, "month": month, "pages": briefing.pages(found, visits, "us", about)}
    (PICTURES / "brief.png").write_bytes(pdf.compiled("page.typ", values, "letter", "png", 90.0)[0])
    shot(run / "map.html", PICTURES / "map.png", "1400,900", "document.querySelectorAll('#lots li')[20].click();")
    listing = screen.read(ROOT / "layers" / "example" / "listings.csv", {"lot_id": "parcel"})
    done = screen.screen(found, listing, columns={"lot_id": "parcel"})
    told = {"list": listing.name, "run": about["run"], "today": found.today, "manifest": about["manifest"]}
    with tempfile.TemporaryDirectory() as place:
        screen_table.write(done, told, Path(place))
        shot(Path(place) / "screened.html", PICTURES / "screen.png", "1000,760")


if __name__ == "__main__":
    main()

"""Make the pictures of the README and of the three sizes anew, from the scenario's real page.

    python -m tests.browser.pictures

They stand in tests/browser/pictures, to be looked at after a change of how the sheet looks.
"""

from __future__ import annotations

from fhirdrain.handoff.page import page
from tests.browser.chromium import HERE, Browser, absent, served
from tests.handoff.making import scenario_sheets

FOLDER = HERE / "pictures"
SIZES = {"wide": (1100, 1240), "tablet": (820, 1180), "phone": (390, 844)}


def main() -> None:
    """Write the pictures."""
    if reason := absent():
        raise SystemExit(reason)
    (sheet,) = [s for s in scenario_sheets("Sat 19:05") if s.bed.patient == "demo-B"]
    browser = Browser()
    try:
        with served({"sheet.html": page([sheet], "en"), "blatt.html": page([sheet], "de")}) as (
            base,
            _,
        ):
            for name, (width, height) in SIZES.items():
                browser.show(f"{base}/sheet.html", width, height)
                (FOLDER / f"{name}.png").write_bytes(browser.picture(whole=name == "wide"))
            browser.show(f"{base}/blatt.html", *SIZES["tablet"])
            (FOLDER / "tablet-de.png").write_bytes(browser.picture())
    finally:
        browser.close()


if __name__ == "__main__":
    main()

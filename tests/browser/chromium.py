"""Debian's Chromium, headless, with pages served to it from loopback."""

from __future__ import annotations

import base64
import json
import shutil
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from pathlib import Path
from typing import Any

HERE = Path(__file__).resolve().parent
AXE = HERE / "node_modules" / "axe-core" / "axe.min.js"

_QUIET = (
    "--headless=new",
    "--no-sandbox",  # containers have no user namespaces for it
    "--disable-gpu",
    "--disable-quic",
    "--no-first-run",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
    "--hide-scrollbars",
    "--force-color-profile=srgb",
)


def absent() -> str:
    """Return why pages cannot be looked at; empty when they can."""
    for program in ("chromium", "chromedriver"):
        if shutil.which(program) is None:
            return f"{program} is not installed"
    if not AXE.is_file():
        return "run `npm ci` in tests/browser first"
    return ""


class Browser:
    """A browser that shows one page after the other."""

    def __init__(self) -> None:
        from selenium import webdriver
        from selenium.webdriver.chrome.options import Options
        from selenium.webdriver.chrome.service import Service

        options = Options()
        options.binary_location = shutil.which("chromium") or ""
        for flag in _QUIET:
            options.add_argument(flag)
        options.set_capability("goog:loggingPrefs", {"browser": "ALL", "performance": "ALL"})
        self._driver: Any = webdriver.Chrome(
            options=options, service=Service(shutil.which("chromedriver"))
        )

    def close(self) -> None:
        """Close it."""
        self._driver.quit()

    def show(self, url: str, width: int = 1280, height: int = 900) -> None:
        """Load a page in a window of a size, in CSS pixels."""
        self._command(
            "Emulation.setDeviceMetricsOverride",
            width=width, height=height, deviceScaleFactor=1, mobile=width < 500,
        )  # fmt: skip
        self._driver.get_log("performance")
        self._driver.get(url)

    def run(self, script: str) -> Any:
        """Return what a script returns on the page."""
        return self._driver.execute_script(script)

    def axe(self) -> list[dict[str, Any]]:
        """Return what axe-core finds wrong with the page."""
        self._driver.execute_script(AXE.read_text("utf-8"))
        found = self._driver.execute_async_script(
            "const done = arguments[0]; axe.run(document).then(r => done(r.violations));"
        )
        return list(found)

    def complaints(self) -> list[str]:
        """Return what the browser says in its console."""
        return [entry["message"] for entry in self._driver.get_log("browser")]

    def requests(self) -> list[str]:
        """Return the URLs that the page asked for since it was shown."""
        messages = [
            json.loads(e["message"])["message"] for e in self._driver.get_log("performance")
        ]
        return [
            m["params"]["request"]["url"]
            for m in messages
            if m["method"] == "Network.requestWillBeSent"
        ]

    def picture(self, *, whole: bool = False) -> bytes:
        """Return what the window shows, or the whole page, as PNG."""
        shot = self._command("Page.captureScreenshot", captureBeyondViewport=whole)
        return base64.b64decode(shot["data"])

    def pdf(self) -> bytes:
        """Return the page as it is printed, without backgrounds, as printers are set up."""
        self._command("Emulation.clearDeviceMetricsOverride")
        printed = self._command("Page.printToPDF", preferCSSPageSize=True, printBackground=False)
        return base64.b64decode(printed["data"])

    def _command(self, name: str, **values: Any) -> Any:
        return self._driver.execute_cdp_cmd(name, values)


@contextmanager
def served(pages: dict[str, str]) -> Iterator[tuple[str, list[str]]]:
    """Serve pages by name on loopback; gives the base URL and the paths that were asked for."""
    asked: list[str] = []

    class Handler(BaseHTTPRequestHandler):
        def do_GET(self) -> None:
            asked.append(self.path)
            html = pages.get(self.path.lstrip("/"))
            self.send_response(200 if html is not None else 404)
            self.send_header("Content-Type", "text/html; charset=utf-8")
            self.end_headers()
            self.wfile.write((html or "").encode())

        def log_message(self, *_: object) -> None:
            return

    server = ThreadingHTTPServer(("127.0.0.1", 0), Handler)
    thread = threading.Thread(target=server.serve_forever, daemon=True)
    thread.start()
    try:
        yield f"http://127.0.0.1:{server.server_port}", asked
    finally:
        server.shutdown()
        server.server_close()
        thread.join()

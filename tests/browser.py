"""Headless Chromium for tests that look at a page; skipped where there is none, but for PRESENCE_BROWSER=required."""

import base64
import json
import os
import shutil
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import pytest

SIZES = {"desktop": (1440, 1000), "tablet": (820, 1180), "phone": (390, 844), "narrow": (360, 740)}
SWITCHES = [
    "--headless",
    "--no-sandbox",
    "--disable-gpu",
    "--disable-quic",
    "--no-first-run",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
    "--disable-dev-shm-usage",
]


class Browser:
    """One browser window; what went wrong in it is collected."""

    def __init__(self, driver: Any) -> None:
        self.driver = driver

    def open(self, path: Path, *, size: str = "desktop", scheme: str = "light", motion: str = "no-preference") -> None:
        """Load a file as a double-click would, with an empty log."""
        width, height = SIZES[size]
        self._resize(width, height)
        features = [
            {"name": "prefers-color-scheme", "value": scheme},
            {"name": "prefers-reduced-motion", "value": motion},
        ]
        self.driver.execute_cdp_cmd("Emulation.setEmulatedMedia", {"features": features})
        self.driver.get("about:blank")
        self.complaints(), self.requests()
        self.driver.get(path.as_uri())

    def _resize(self, width: int, height: int) -> None:
        metrics = {"width": width, "height": height, "deviceScaleFactor": 1, "mobile": width < 500}
        self.driver.execute_cdp_cmd("Emulation.setDeviceMetricsOverride", metrics)

    def run(self, script: str, *arguments: Any) -> Any:
        """What a script on the page returns; `await frame()` waits until what was asked for is shown."""
        begin = "const frame = () => new Promise((done) => requestAnimationFrame(() => requestAnimationFrame(done)));"
        code = (
            f"{begin} const done = arguments[arguments.length - 1]; (async (...args) => {{ {script} }})(...arguments)"
        )
        answer = self.driver.execute_async_script(
            f"{code}.then(done, (error) => done({{error: String(error)}}))", *arguments
        )
        assert not (isinstance(answer, dict) and "error" in answer), answer
        return answer

    def text(self, selector: str) -> str:
        """The text of an element, shown or not."""
        return str(self.run("return document.querySelector(args[0]).textContent", selector))

    def press(self, *keys: str) -> None:
        """Keys as typed into whatever has the focus."""
        from selenium.webdriver import ActionChains

        ActionChains(self.driver).send_keys(*keys).perform()
        self.run("await frame()")

    def to_begin(self) -> None:
        """The time control at the begin of the log, by its own key; then nothing has the focus."""
        self.run("document.getElementById('scrubber').focus()")
        self.press("\ue011")
        self.run("document.activeElement.blur()")

    def complaints(self) -> list[str]:
        """What the console has said since it was last asked."""
        return [entry["message"] for entry in self.driver.get_log("browser")]

    def requests(self) -> list[str]:
        """Every address asked for since this was last asked."""
        messages = [json.loads(entry["message"])["message"] for entry in self.driver.get_log("performance")]
        return [m["params"]["request"]["url"] for m in messages if m["method"] == "Network.requestWillBeSent"]

    def picture(self, name: str) -> Path | None:
        """Keep the whole page as PRESENCE_SCREENSHOTS/NAME.png, if a folder is named there."""
        folder = os.environ.get("PRESENCE_SCREENSHOTS")
        if not folder:
            return None
        path = Path(folder) / f"{name}.png"
        path.parent.mkdir(parents=True, exist_ok=True)
        script = "return [innerWidth, innerHeight, Math.min(5000, document.documentElement.scrollHeight)]"
        width, height, whole = self.run(script)
        self._resize(width, whole)
        self.run("scrollTo(0, 0); await frame(); document.getAnimations().forEach((a) => a.finish()); await frame()")
        shot = self.driver.execute_cdp_cmd("Page.captureScreenshot", {"format": "png"})
        path.write_bytes(base64.b64decode(shot["data"]))
        self._resize(width, height)
        return path


@contextmanager
def browser(profile: Path) -> Iterator[Browser]:
    """A browser with a fresh profile in a folder; closed at the end."""
    programs = [shutil.which("chromium"), shutil.which("chromedriver")]
    if None in programs:
        reason = "no chromium and chromedriver here (Debian packages chromium and chromium-driver)"
        (pytest.fail if os.environ.get("PRESENCE_BROWSER") == "required" else pytest.skip)(reason)
    from selenium import webdriver
    from selenium.webdriver.chrome.service import Service

    options = webdriver.ChromeOptions()
    options.binary_location = str(programs[0])
    for switch in [*SWITCHES, f"--user-data-dir={profile}"]:
        options.add_argument(switch)
    options.set_capability("goog:loggingPrefs", {"browser": "ALL", "performance": "ALL"})
    driver = webdriver.Chrome(service=Service(str(programs[1])), options=options)
    driver.set_script_timeout(60)
    try:
        yield Browser(driver)
    finally:
        driver.quit()

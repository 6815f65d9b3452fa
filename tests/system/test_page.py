"""The live page in a real browser: whole by itself, usable by everybody, and never old without saying so."""

from __future__ import annotations

import math
import time
from collections import Counter
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import pytest
from playwright.sync_api import Browser

from tests.dashboards.stage import Playback, Pulse, S, Stage, busy_morning, milking
from tests.detect.record import STALLS, air_events, heard, simulated
from tests.system.chromium import OFFICE, PHONE, WALL, Visit, chromium, visiting

pytestmark = pytest.mark.system

LIVE = "document.querySelector('#pulse').classList.contains('on')"
STALE = "!document.querySelector('#stale').hidden"


@pytest.fixture(scope="module")
def browser() -> Iterator[Browser]:
    with chromium() as running:
        yield running


@pytest.fixture
def stage(tmp_path: Path) -> Stage:
    return Stage(tmp_path, stalls=12)


def alerts(count: int) -> str:
    return f"document.querySelectorAll('#alerts > li').length === {count}"


def test_it_needs_nothing_from_outside_and_is_soon_useful_on_a_phone(browser: Browser, stage: Stage) -> None:
    """A phone four times slower than this machine can see its first alert within a second of asking."""
    stage.off(3)
    stage.step()
    stage.step()

    def slow(visit: Visit) -> None:
        visit.context.new_cdp_session(visit.page).send("Emulation.setCPUThrottlingRate", {"rate": 4})
        visit.page.add_init_script(
            "new MutationObserver(() => { window.useful ??= document.querySelector('#alerts > li')"
            " ? performance.now() : undefined; }).observe(document, {childList: true, subtree: true});"
        )

    with stage.on_air() as url, Pulse(stage):
        with visiting(browser, url, size=PHONE):
            pass  # the browser's own first page is not what is measured
        times = [math.inf]
        until_s = time.monotonic() + 90.0
        while min(times) > 1000.0 and time.monotonic() < until_s:  # others may crowd this machine
            with visiting(browser, url, size=PHONE, before=slow) as visit:
                visit.wait("window.useful > 0")
                times.append(visit.page.evaluate("window.useful"))
                assert visit.errors == []
                assert {request.split("/")[2] for request in visit.requests} == {url.split("/")[2]}
        print(f"first alert on a slow phone after {min(times):.0f} ms")
        assert min(times) <= 1000.0, times


@pytest.mark.parametrize("scheme", ["dark", "light"])
def test_axe_finds_nothing(browser: Browser, stage: Stage, scheme: str) -> None:
    """No violation in the parlor, at a stall, in the settings, on a phone or while the data is old."""
    stage.off(3)
    busy_morning(stage, seconds=40)
    stage.off(3)
    with stage.on_air() as url:
        with visiting(browser, url, size=PHONE, scheme=scheme) as visit:
            visit.wait(STALE)
            assert visit.violations() == []
        with Pulse(stage):
            for size in (PHONE, OFFICE):
                with visiting(browser, url, size=size, scheme=scheme) as visit:
                    visit.wait(LIVE)
                    visit.wait("document.querySelectorAll('#alerts > li').length > 0")
                    visit.page.click("#choices summary")
                    assert visit.violations() == []
            with visiting(browser, url + "#stall-3", size=OFFICE, scheme=scheme) as visit:
                visit.wait("document.querySelectorAll('#events tr').length > 0")
                assert visit.violations() == []


def test_it_fits_a_narrow_phone_and_a_far_wall(browser: Browser, stage: Stage) -> None:
    """At 360 px nothing sticks out and fingers hit the buttons; on a wall the alert is large."""
    stage.off(3)
    stage.step()
    size = "parseFloat(getComputedStyle(document.querySelector('#alerts .{}')).fontSize)"
    with stage.on_air() as url, Pulse(stage):
        with visiting(browser, url, size=PHONE) as visit:
            visit.wait(alerts(1))
            assert visit.page.evaluate("document.documentElement.scrollWidth") <= PHONE["width"]
            first = visit.page.locator("main section").first.bounding_box()
            button = visit.page.locator("#alerts button").bounding_box()
            assert first is not None and button is not None  # noqa: PT018 - one claim
            assert first["y"] < 200.0
            assert min(button["width"], button["height"]) >= 44.0
        with visiting(browser, url, size=WALL) as visit:
            visit.wait(alerts(1))
            # Letters of 1/250 of the distance are read with ease (common practice, no source): 16 mm at
            # 4 m, which are 32 px on a screen of 43 inches; a capital has 0.7 of the font's size.
            assert 0.7 * visit.page.evaluate(size.format("num")) >= 32.0
            assert visit.page.evaluate(size.format("what")) >= 38.0


def test_two_browsers_take_an_alert_by_keyboard_and_see_each_other(browser: Browser, stage: Stage) -> None:
    """One presses Tab and Enter and gives a name; the other sees it; the alert clears by itself."""
    stage.off(3)
    stage.step()
    with (
        stage.on_air() as url,
        Pulse(stage),
        visiting(browser, url, size=OFFICE) as one,
        visiting(browser, url, size=PHONE) as other,
    ):
        for visit in (one, other):
            visit.wait(alerts(1))
        for _ in range(20):
            one.page.keyboard.press("Tab")
            if (
                one.page.evaluate(
                    "document.activeElement.closest('#alerts') && document.activeElement.tagName"
                )
                == "BUTTON"
            ):
                break
        one.page.keyboard.press("Enter")
        one.page.wait_for_selector("dialog[open]")
        one.page.keyboard.type("Ann")
        one.page.keyboard.press("Enter")
        for visit in (one, other):
            visit.wait("document.querySelector('#alerts .meta').textContent.includes('taken by Ann')")
        stage.off(5)
        other.wait(alerts(2))
        other.page.locator("#alerts li:not(.taken) button").click()
        other.page.fill("#name", "Bo")
        other.page.click("dialog button[value=save]")
        one.wait("document.querySelector('#alerts').textContent.includes('taken by Bo')")
        for stall in (3, 5):
            stage.set(stall, stage.stalls[1])
        for visit in (one, other):
            visit.wait(alerts(0))
            assert visit.errors == []


def test_old_data_never_passes_for_live(browser: Browser, stage: Stage) -> None:
    """Seconds after the last batch the page says so, also to who comes later; "all quiet" is not said."""
    quiet = "document.querySelector('#quiet').checkVisibility()"
    with stage.on_air() as url, visiting(browser, url, size=OFFICE) as visit:
        with Pulse(stage):
            visit.wait(f"{LIVE} && {quiet}")
        visit.wait(f"{STALE} && !{LIVE} && !{quiet}")
        with visiting(browser, url, size=OFFICE) as late:
            late.wait(f"document.querySelectorAll('#stalls button').length === 12 && {STALE}")
            assert not late.page.evaluate(f"{LIVE} || {quiet}")
        with Pulse(stage):
            visit.wait(f"{LIVE} && {quiet} && !({STALE})")


def test_after_a_restart_the_page_comes_back_by_itself_without_old_alerts(
    browser: Browser, stage: Stage, tmp_path: Path
) -> None:
    """Data is there two seconds after the service is; what has cleared meanwhile is gone."""
    stage.off(3)
    stage.step()
    again = Stage(tmp_path, stalls=12)
    again.t_ns = stage.t_ns + 60 * S
    visit = Visit(browser, size=OFFICE)
    with stage.on_air() as url, Pulse(stage):
        visit.page.goto(url)
        visit.wait(alerts(1))
        visit.page.evaluate("window.before = true")
    visit.wait(STALE)
    port = int(url.rsplit(":", 1)[1].strip("/"))
    with Pulse(again), again.on_air(port):
        began_s = time.monotonic()
        visit.wait(f"{LIVE} && {alerts(0)}")
        assert time.monotonic() - began_s <= 2.0
        assert visit.page.evaluate("window.before")
    visit.context.close()


def test_before_the_first_message_it_says_what_it_waits_for(browser: Browser, stage: Stage) -> None:
    """No old data is spoken of that never was; a stall that does not exist leads back to all of them."""
    with stage.on_air() as url, visiting(browser, url, size=PHONE) as visit:
        visit.wait("document.querySelector('#stale').textContent.includes('no data has come yet')")
        assert visit.violations() == []
        visit.page.goto(f"{url}#stall-3")
        visit.wait("document.querySelector('#history').textContent.includes('No milking yet')")
        visit.page.goto(f"{url}#stall-99")
        visit.wait("!document.querySelector('#all').hidden && location.hash === ''")


def test_units_and_look_are_a_matter_of_choice_and_stay(browser: Browser, stage: Stage) -> None:
    """Inches of mercury and pounds, light or dark, are chosen in the page and kept by the browser."""
    stage.dip_since_ns = stage.t_ns
    for _ in range(6):
        stage.step()
    stage.past = [milking(k, stage.t_ns - 600 * S, slips=0) for k in range(1, 11)]
    with stage.on_air() as url, Pulse(stage), visiting(browser, url, size=OFFICE) as visit:
        visit.wait("document.querySelector('#alerts').textContent.includes('6.0 kPa down')")
        visit.page.click("#choices summary")
        visit.page.select_option("#units", "us")
        visit.page.select_option("#look", "light")
        for _ in range(2):
            # 6 kPa = 1.77 inHg (1 inHg = 3.386 kPa); 100 kg = 220 lb
            visit.wait("document.querySelector('#alerts').textContent.includes('1.8 inHg down')")
            visit.wait("document.querySelector('#figures').textContent.includes('220 lb')")
            visit.wait("document.documentElement.classList.contains('light')")
            visit.page.reload()


def test_a_storm_is_one_line_on_the_page(browser: Browser, tmp_path: Path) -> None:
    """Eighty units fall off at once: one alert, which names the parlor and tells to look for one cause."""
    stage = Stage(tmp_path, stalls=80)
    with stage.on_air() as url, Pulse(stage), visiting(browser, url, size=WALL) as visit:
        visit.wait(LIVE)
        for stall in stage.stalls:
            stage.off(stall)
        visit.wait("document.querySelector('#alerts').textContent.includes('Many stalls at once')")
        visit.wait("document.querySelector('#alerts').textContent.includes('80 stalls')")
        assert visit.page.evaluate("document.querySelectorAll('#alerts > li, #waiting > li').length") == 1


def test_lanes_are_walked_by_arrow_keys_and_spoken(browser: Browser, stage: Stage) -> None:
    """One tab stop, arrows between stalls, Enter opens one, and each says what it is."""
    with stage.on_air() as url, Pulse(stage), visiting(browser, url, size=OFFICE) as visit:
        visit.wait("document.querySelectorAll('#stalls button[aria-label]').length === 12")
        assert visit.page.evaluate("document.querySelectorAll('#stalls [tabindex=\"0\"]').length") == 1
        visit.page.focus("#stalls button")
        for key in ("ArrowDown", "ArrowDown", "End", "ArrowUp"):
            visit.page.keyboard.press(key)
        visit.wait("document.activeElement.ariaLabel.startsWith('Stall 11: milking')")
        visit.page.keyboard.press("Enter")
        visit.wait("document.querySelector('#one-h').textContent === 'Stall 11'")
        visit.wait("document.activeElement.id === 'one-h'")
        visit.page.keyboard.press("Tab")
        visit.page.go_back()
        visit.wait("!document.querySelector('#all').hidden")
        assert "12 units on" in visit.page.get_attribute("#lanes", "aria-label")  # type: ignore[operator]


def test_the_parlor_is_pictured(browser: Browser, tmp_path: Path) -> None:
    """A staged morning of 60 stalls on a wall, a phone and in grey; the pictures hold more than a ground."""
    stage = Stage(tmp_path, stalls=60)
    busy_morning(stage, seconds=540)
    hour = 3600 * S
    stage.past = [
        replace(
            milking(k, stage.t_ns - day * 24 * hour - hour, slips=(k + day) % 3 % 2),
            fall_offs=int(k % 83 == 0),
            unsupported_s=6.0 + day % 5 if day else 9.0,
        )
        for day in range(15)
        for k in range(1, 240 + (day * 37) % 50)
    ]
    stage.off(12)
    with stage.on_air() as url, Pulse(stage):
        for name, size, scheme in (
            ("wall", WALL, "dark"),
            ("office", OFFICE, "light"),
            ("phone", PHONE, "light"),
        ):
            with visiting(browser, url, size=size, scheme=scheme) as visit:
                visit.wait(f"{LIVE} && document.querySelectorAll('#alerts > li').length > 0")
                visit.page.evaluate("new Promise(requestAnimationFrame)")
                assert visit.picture(f"page-{name}", tmp_path).stat().st_size > 20_000
                if name == "wall":
                    grey = visit.context.new_cdp_session(visit.page)
                    grey.send("Emulation.setEmulatedVisionDeficiency", {"type": "achromatopsia"})
                    assert visit.picture("page-grey", tmp_path).stat().st_size > 20_000


def test_a_stall_is_shown_closely_at_more_than_ten_pictures_a_second(
    browser: Browser, tmp_path: Path
) -> None:
    """A real detector's traces run smoothly; its last events stand there with their kept waveforms."""
    record = simulated(plant_hz=100)
    worst = Counter(event.stall for event in air_events(heard(record.readings))).most_common(1)[0][0]
    stage = Stage(tmp_path, stalls=STALLS)
    with stage.on_air() as url, visiting(browser, f"{url}#stall-{worst}", size=OFFICE) as visit:
        play = Playback(stage, record.readings)
        play.until_s(400.0)
        with play:
            visit.wait(LIVE)
            visit.page.reload()
            visit.wait("document.querySelectorAll('#events canvas').length > 0")
            visit.wait("document.querySelector('#one-state').textContent !== ''")
            count = "import('/page/stall.js').then((trace) => [trace.painted(), performance.now()])"
            before, began_ms = visit.page.evaluate(count)
            visit.page.evaluate("new Promise((done) => setTimeout(done, 3000))")
            after, ended_ms = visit.page.evaluate(count)
            assert 1000.0 * (after - before) / (ended_ms - began_ms) >= 10.0
            assert visit.picture("page-stall", tmp_path).stat().st_size > 20_000
            assert visit.errors == []

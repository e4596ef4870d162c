"""The pages in a real browser: numbers, console, width, keyboard, colours, and a message that arrives meanwhile."""

import shutil
import time
from datetime import timedelta

import pytest
from selenium import webdriver
from selenium.webdriver.common.action_chains import ActionChains
from selenium.webdriver.common.by import By
from selenium.webdriver.common.keys import Keys
from selenium.webdriver.support.ui import WebDriverWait

from dashboard.app import DashboardServer, create_app
from tests.conftest import reading
from tests.dashboard.conftest import LATE_NOTE, NOW

pytestmark = [
    pytest.mark.browser,
    pytest.mark.skipif(not (shutil.which("chromium") and shutil.which("chromedriver")), reason="no chromium here"),
]
FLAGS = (
    "--headless", "--no-sandbox", "--disable-gpu", "--disable-quic", "--no-first-run",
    "--disable-background-networking", "--disable-component-update", "--disable-sync",
)  # fmt: skip
WIDTHS = [pytest.param(1440, id="desk"), pytest.param(390, id="phone")]
PATIENCE_S = 30


@pytest.fixture
def address(mill):
    server = DashboardServer(create_app(mill, clock=lambda: NOW), "127.0.0.1", 0)
    server.start()
    yield server.address
    server.stop()


@pytest.fixture(scope="module")
def chromium(tmp_path_factory):
    options = webdriver.ChromeOptions()
    options.binary_location = shutil.which("chromium")
    for flag in (*FLAGS, f"--user-data-dir={tmp_path_factory.mktemp('profile')}"):
        options.add_argument(flag)
    options.set_capability("goog:loggingPrefs", {"browser": "ALL"})
    driver = webdriver.Chrome(options=options, service=webdriver.ChromeService(shutil.which("chromedriver")))
    yield driver
    driver.quit()


@pytest.fixture
def browser(chromium):
    """The browser as a new user finds it, on a desk; every server has a port, so an origin and a memory, of its own."""
    resize(chromium, 1440)
    prefer(chromium, "light")
    chromium.get("about:blank")
    chromium.get_log("browser")  # what earlier pages said
    return chromium


def resize(browser, width):
    """The view at a width; a headless window cannot be made as narrow as a phone."""
    metrics = {"width": width, "height": 900, "deviceScaleFactor": 1, "mobile": width < 600}
    browser.execute_cdp_cmd("Emulation.setDeviceMetricsOverride", metrics)


def prefer(browser, scheme):
    features = [{"name": "prefers-color-scheme", "value": scheme}]
    browser.execute_cdp_cmd("Emulation.setEmulatedMedia", {"features": features})


def wait_for(browser, condition, what):
    WebDriverWait(browser, PATIENCE_S).until(lambda _: condition(), what)


def shown(browser, selector):
    """The text of the elements that match, as the page holds it."""
    read = "return [...document.querySelectorAll(arguments[0])].map(element => element.textContent).join(' ')"
    return browser.execute_script(read, selector).replace("\u00a0", " ").replace("\u202f", " ")


def wait_for_text(browser, selector, words):
    wait_for(browser, lambda: words in shown(browser, selector), f"{words!r} in {selector}")


def wait_for_plots(browser, count):
    plots = "return [...document.querySelectorAll('.js-plotly-plot')].filter(p => p.querySelector('.xtick')).length"
    wait_for(browser, lambda: browser.execute_script(plots) == count, f"{count} figures drawn")


def assert_sound(browser, width=1440):
    """No error in the console, no sideways scrolling of the page, nothing fetched from elsewhere."""
    assert [entry for entry in browser.get_log("browser") if entry["level"] == "SEVERE"] == []
    assert browser.execute_script("return document.scrollingElement.scrollWidth") <= width
    assert browser.execute_script("return innerWidth") <= width  # a phone's view grows with what overflows it
    fetched = browser.execute_script("return performance.getEntriesByType('resource').map(entry => entry.name)")
    origin = browser.execute_script("return location.origin")
    assert fetched
    assert [name for name in fetched if not name.startswith((origin, "data:", "blob:"))] == []


@pytest.mark.parametrize("width", WIDTHS)
def test_fleet_page_shows_the_known_numbers(browser, address, width):
    resize(browser, width)
    browser.get(address)
    wait_for_text(browser, "#fleet-grid [row-id='mf-01'] [col-id='node_id']", "mf-01")
    wait_for_text(browser, "#fleet-grid [row-id='mf-01'] [col-id='days_p10']", "12")
    wait_for_text(browser, "#fleet-grid [row-id='kr-01'] [col-id='days_p10']", "past horizon")
    wait_for_text(browser, "#fleet-grid [row-id='mf-02'] [col-id='days_p10']", "no forecast")
    wait_for_text(browser, "#fleet-alarms", LATE_NOTE)
    wait_for_text(browser, "#fleet-summary", "Nodes in service3")
    wait_for_plots(browser, 1)
    assert "not a safety function" in shown(browser, "footer")
    assert browser.title == "Fleet · Joulebook"
    assert_sound(browser, width)


@pytest.mark.parametrize("width", WIDTHS)
def test_node_page_shows_the_known_numbers(browser, address, width):
    resize(browser, width)
    browser.get(f"{address}/node/mf-01")
    wait_for_text(browser, "#node-facts", "3.500 V")
    wait_for_text(browser, "#node-facts", "31 d")
    wait_for_text(browser, "#node-findings", "37 µW against 64 ± 21 µW")
    wait_for_text(browser, "#node-reports", "2026-03-10 07:30 America/New_York")
    wait_for_plots(browser, 4)
    assert browser.title == "mf-01 · Joulebook"
    assert_sound(browser, width)


def test_a_row_opens_with_enter_and_the_link_leads_back(browser, address):
    browser.get(address)
    wait_for_text(browser, "#fleet-grid [row-id='mf-01'] [col-id='node_id']", "mf-01")
    cell = browser.find_element(By.CSS_SELECTOR, "#fleet-grid [row-id='mf-01'] [col-id='days_p10']")
    browser.execute_script("arguments[0].focus()", cell)
    cell.send_keys(Keys.ENTER)
    wait_for_text(browser, "h1", "mf-01")
    assert browser.current_url == f"{address}/node/mf-01"
    browser.find_element(By.CSS_SELECTOR, ".back a").send_keys(Keys.ENTER)
    wait_for_text(browser, "#fleet-summary", "Nodes in service")
    assert_sound(browser)


def test_the_keyboard_reaches_skip_link_filter_and_grid(browser, address):
    browser.get(address)
    wait_for_text(browser, "#fleet-grid [row-id='mf-01'] [col-id='node_id']", "mf-01")
    reached, outlined = [], []
    for _ in range(40):
        browser.switch_to.active_element.send_keys(Keys.TAB)
        reached.append(
            browser.execute_script(
                "const e = document.activeElement;"
                "return [e.className, e.name || '', e.closest('#fleet-grid') ? 'grid' : '', e.textContent].join('|')"
            )
        )
        outlined.append(browser.execute_script("return getComputedStyle(document.activeElement).outlineStyle"))
        if "|grid|" in reached[-1]:
            break
    assert reached[0].startswith("skip|")
    assert "|grid|" in reached[-1], reached
    assert any("fleet-site" in step for step in reached), reached
    assert outlined[0] != "none"


def test_a_message_that_arrives_appears_on_the_node_page(browser, address, admit):
    browser.get(f"{address}/node/mf-01")
    wait_for_text(browser, "#node-reports", "3.500 V")
    at = NOW - timedelta(minutes=1)
    admit(reading("mf-01", at.timestamp(), 4.321, 9001, received_at=NOW.timestamp()))
    wait_for_text(browser, "#node-reports", "4.321 V")
    wait_for_text(browser, "#node-facts", "4.321 V")


def test_colours_follow_the_system_until_the_toggle_is_kept(browser, address):
    background = "return getComputedStyle(document.body).backgroundColor"
    ground = "return document.querySelector('#fleet-field .main-svg').style.background"
    prefer(browser, "dark")
    browser.get(address)
    wait_for_plots(browser, 1)
    dark, dark_figure = browser.execute_script(background), browser.execute_script(ground)
    browser.find_element(By.ID, "scheme-toggle").click()  # auto to light
    wait_for_text(browser, "#scheme-toggle", "light")
    assert browser.execute_script(background) != dark
    wait_for(browser, lambda: browser.execute_script(ground) != dark_figure, "the figure in light")
    browser.refresh()
    wait_for_text(browser, "#scheme-toggle", "light")
    assert browser.execute_script(background) != dark


@pytest.mark.parametrize("width", WIDTHS)
def test_visits_page_shows_cautions_dates_and_parts(browser, address, width):
    resize(browser, width)
    browser.get(f"{address}/visits")
    wait_for_text(browser, "#visits-round", "2026-03-22")
    wait_for_text(browser, "#visits-round", "now: dark")
    assert "lock it out" in shown(browser, ".warn")
    assert browser.title == "Visits · Joulebook"
    assert_sound(browser, width)


@pytest.mark.parametrize("width", WIDTHS)
def test_an_alarm_is_acknowledged_with_the_keyboard_while_reports_arrive(browser, address, mill, admit, width):
    resize(browser, width)
    browser.get(address)
    wait_for_text(browser, "#fleet-alarms", LATE_NOTE)
    browser.find_element(By.CSS_SELECTOR, "#fleet-alarms [aria-label='Acknowledge depletion of mf-01']").click()
    wait_for_text(browser, "#alarm-form", "Who acts on depletion of mf-01")
    wait_for(browser, lambda: browser.switch_to.active_element.get_attribute("id") == "alarm-note", "focus on the note")
    browser.switch_to.active_element.send_keys("Ada, new ")
    with mill.write() as writing:  # another alarm changes the list meanwhile
        writing.execute("UPDATE alarms SET cleared_at = $at, state = 'cleared' WHERE node_id = 'kr-01'", {"at": NOW})
    wait_for(browser, lambda: "kr-01" not in shown(browser, "#fleet-alarms"), "the list without the cleared alarm")
    browser.switch_to.active_element.send_keys("mount", Keys.ENTER)
    wait_for_text(browser, "#alarm-form", "Acknowledged")
    wait_for_text(browser, "#fleet-alarms", "acknowledged: Ada, new mount")
    assert not browser.find_elements(By.CSS_SELECTOR, "#fleet-alarms button")
    assert_sound(browser, width)


def test_a_node_retired_while_its_page_is_open_leaves_the_console_clean(browser, address, mill):
    browser.get(f"{address}/node/mf-01")
    wait_for_text(browser, "#node-facts", "3.500 V")
    with mill.write() as writing:
        writing.execute("UPDATE nodes SET retired = true WHERE node_id = 'mf-01'")
    wait_for_text(browser, "#node-notice", "taken out of the fleet")
    browser.find_element(By.CSS_SELECTOR, "#node-span input[value='7']").click()
    assert "3.500 V" in shown(browser, "#node-facts")
    assert_sound(browser)


@pytest.fixture
def sheet(browser):
    """Lays a page out as for a sheet of paper so many pixels wide; on a screen again afterwards."""

    def lay(width):
        browser.execute_cdp_cmd("Emulation.setEmulatedMedia", {"media": "print"})
        browser.execute_script("dispatchEvent(new Event('beforeprint'))")
        resize(browser, width)

    yield lay
    browser.execute_cdp_cmd("Emulation.setEmulatedMedia", {"media": ""})


@pytest.mark.parametrize("width", [pytest.param(718, id="portrait"), pytest.param(1047, id="landscape")])
def test_on_paper_all_nodes_and_columns_are_there_and_nothing_is_cut_or_asks_for_a_click(
    browser, address, sheet, width
):
    browser.get(address)
    wait_for_text(browser, "#fleet-grid [row-id='mf-01'] [col-id='days_p10']", "12")
    wait_for_text(browser, "#fleet-alarms", LATE_NOTE)
    wait_for_plots(browser, 1)
    sheet(width)
    rows = [row.text.split() for row in browser.find_elements(By.CSS_SELECTOR, ".paper tbody tr")]
    assert [row[0] for row in rows] == ["mf-01", "kr-01", "mf-02"]
    heads = [head.text for head in browser.find_elements(By.CSS_SELECTOR, ".paper th")]
    assert (len(heads), heads[1]) == (17, "Days to depletion (d) 10 %")
    cut = (
        "return [...document.querySelectorAll('.scroll, .paper, .graph')].filter("
        "e => e.scrollWidth > e.clientWidth + 1 || e.scrollHeight > e.clientHeight + 1).map(e => e.ariaLabel)"
    )
    assert browser.execute_script(cut) == []
    wide = "return Math.max(...[...document.querySelectorAll('.book *')].map(e => e.getBoundingClientRect().right))"
    assert browser.execute_script(wide) <= width
    controls = browser.find_elements(By.CSS_SELECTOR, "button, input, .top nav, .modebar, #fleet-grid")
    assert [control.tag_name for control in controls if control.is_displayed()] == []
    assert "active" in browser.find_element(By.ID, "fleet-alarms").text  # in the place of the button
    assert "All sites" in browser.find_element(By.CSS_SELECTOR, ".page-head").text  # what is chosen, and no more
    assert "Kiln row" not in browser.find_element(By.CSS_SELECTOR, ".page-head").text
    browser.execute_script("dispatchEvent(new Event('afterprint'))")
    assert not browser.find_elements(By.CSS_SELECTOR, ".paper tr")


def test_figures_keep_their_height_when_a_window_changes_its_own(browser, address):
    browser.get(f"{address}/node/mf-01")
    wait_for_plots(browser, 4)
    heights = "return [...document.querySelectorAll('.graph')].map(place => place.clientHeight)"
    figures = "[...document.querySelectorAll('.main-svg')]"
    widths = f"return {figures}.every(e => e.clientWidth <= e.closest('.graph').clientWidth)"
    assert min(browser.execute_script(heights)) >= 380
    for width, height in ((1440, 700), (390, 700)):
        metrics = {"width": width, "height": height, "deviceScaleFactor": 1, "mobile": False}
        browser.execute_cdp_cmd("Emulation.setDeviceMetricsOverride", metrics)
        wait_for(browser, lambda: browser.execute_script(widths), f"figures within {width} px")
        time.sleep(0.5)  # nothing tells that no change is to come
        assert min(browser.execute_script(heights)) >= 380


def test_on_a_desk_the_figures_of_a_node_are_in_view_and_a_cut_cell_says_all(browser, address):
    resize(browser, 1400)
    browser.get(address)
    wait_for_text(browser, "#fleet-grid [row-id='kr-01'] [col-id='take']", "start the node again")
    view = "return document.querySelector('#fleet-grid .ag-center-cols-viewport').getBoundingClientRect().right"
    for column in ("usable_percent", "autonomy_days", "harvest_percent", "load_percent"):
        cell = browser.find_element(By.CSS_SELECTOR, f"#fleet-grid [row-id='mf-01'] [col-id='{column}']")
        assert cell.rect["x"] + cell.rect["width"] <= browser.execute_script(view)
    take = browser.find_element(By.CSS_SELECTOR, "#fleet-grid [row-id='kr-01'] [col-id='take']")
    ActionChains(browser).move_to_element(take).perform()
    wait_for_text(browser, ".ag-tooltip", "start the node again")


def test_on_a_phone_the_title_of_the_field_figure_is_whole(browser, address):
    resize(browser, 390)
    browser.get(address)
    wait_for_text(browser, "#fleet-field .xtitle", "(% of budget)")
    ends = "const at = document.querySelector(arguments[0]).getBoundingClientRect(); return [at.left, at.right]"
    title, figure = (browser.execute_script(ends, f"#fleet-field {part}") for part in (".xtitle", ".main-svg"))
    assert figure[0] <= title[0]
    assert title[1] <= figure[1]


def test_an_unknown_node_leads_back_to_the_fleet(browser, address):
    browser.get(f"{address}/node/zz-99")
    wait_for_text(browser, "#content", "The fleet has no node zz-99")
    browser.find_element(By.CSS_SELECTOR, "#content a").click()
    wait_for_text(browser, "#fleet-summary", "Nodes in service")
    assert_sound(browser)

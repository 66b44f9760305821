"""Pages opened in a real browser: no console error, every picture drawn, nothing wider than a phone."""

import json
import re
import shutil
import subprocess
from html import unescape

import pytest

from dashboards.letter import Sender, monthly_letter
from dashboards.pages import published
from tests.dashboards import sample
from tests.dashboards.test_letter import AUGUST, SENT

BROWSER = next((found for name in ("chromium", "chromium-browser", "google-chrome") if (found := shutil.which(name))),
               None)
pytestmark = [pytest.mark.slow, pytest.mark.skipif(BROWSER is None, reason="no chromium on this machine: install "
                                                   "chromium to open the pages in a real browser")]
PHONE_WIDTH = 390
PAPER_WIDTH = 1280

# Frames as wide as a phone (a headless window cannot be that narrow) that measure the pages inside them.
FRAMES = """<!DOCTYPE html><body style="margin:0">FRAMES<pre id="told">{}</pre><script>
window.addEventListener("load", function () {
  setTimeout(function () {
    var told = {};
    document.querySelectorAll("iframe").forEach(function (held) {
      var page = held.contentDocument, root = page.documentElement;
      var wide = Array.from(page.querySelectorAll("body *")).filter(function (one) {
        return one.getBoundingClientRect().right > root.clientWidth + 1 && !one.closest(".wide, .plot, svg");
      }).slice(0, 5).map(function (one) { return one.tagName + "." + one.className; });
      told[held.title] = {
        page: root.scrollWidth, room: root.clientWidth, wide: wide,
        plots: page.querySelectorAll(".plot").length,
        drawn: Array.from(page.querySelectorAll(".plot")).filter(function (one) {
          return one.querySelector(".main-svg .trace, .main-svg .points, .main-svg path"); }).length,
        cut: Array.from(page.querySelectorAll(".draw")).filter(function (one) {
          var svg = one.querySelector(".main-svg");
          return svg && svg.getBoundingClientRect().width > one.clientWidth + 1; }).length };
    });
    document.getElementById("told").textContent = JSON.stringify(told);
  }, 2000);
});
</script></body>"""
PAGES = ("index.html", "sites/acacia.html", "sites/dune.html", "sites/fig.html", "visits/acacia.html")


@pytest.fixture(scope="module")
def folder(tmp_path_factory):
    home = tmp_path_factory.mktemp("pages")
    for path, data in published(sample.sample_fleet()):
        target = home / path
        target.parent.mkdir(parents=True, exist_ok=True)
        target.write_bytes(data)
    return home


def _opened(home, pages: tuple[str, ...], width: int) -> tuple[dict[str, dict], list[str]]:
    frames = home / f"frames-{width}-{len(pages)}.html"
    frames.write_text(FRAMES.replace("FRAMES", "".join(
        f'<iframe title="{page}" src="{page}" style="width:{width}px;height:2400px;border:0"></iframe>'
        for page in pages)), encoding="utf-8")
    done = subprocess.run(
        [BROWSER, "--headless", "--no-sandbox", "--disable-gpu", "--disable-quic", "--no-first-run",
         "--disable-background-networking", "--disable-component-update", "--disable-sync", "--enable-logging=stderr",
         "--allow-file-access-from-files", "--virtual-time-budget=9000", f"--user-data-dir={home / 'profile'}",
         f"--window-size={max(width, 500)},2400", "--dump-dom", frames.as_uri()],
        capture_output=True, text=True, timeout=180, check=True)
    told = json.loads(unescape(re.search(r'<pre id="told">(.*?)</pre>', done.stdout, re.S).group(1)))
    assert set(told) == set(pages), "not every page loaded in its frame"
    return told, [line for line in done.stderr.splitlines() if ":CONSOLE" in line]


@pytest.mark.parametrize("width", [PHONE_WIDTH, 360, PAPER_WIDTH])
def test_pages_open_without_a_word_on_the_console_and_fit(folder, width):
    told, console = _opened(folder, PAGES, width)
    assert not console
    for page, held in told.items():
        assert held["drawn"] == held["plots"], (page, held)
        assert held["cut"] == 0, (page, held)
        assert held["page"] <= held["room"] and not held["wide"], (page, held)
    assert told["sites/acacia.html"]["plots"] >= 5


def test_console_errors_would_be_seen(folder):
    (folder / "broken.html").write_text("<script>absent();</script>", encoding="utf-8")
    _, console = _opened(folder, ("broken.html",), PHONE_WIDTH)
    assert any("absent" in line for line in console)


def test_overflow_would_be_seen(folder):
    (folder / "wide.html").write_text('<meta name="viewport" content="width=device-width"><div style="width:900px">x'
                                      "</div>", encoding="utf-8")
    held = _opened(folder, ("wide.html",), PHONE_WIDTH)[0]["wide.html"]
    assert held["page"] > held["room"] and held["wide"]


def test_letter_fits_a_phone(folder):
    view = sample.clogged_view()
    message = monthly_letter(view.site, view.diagnosis, month=AUGUST, sender=Sender("X", "l@example.org"), sent_at=SENT)
    picture = next(part for part in message.walk() if part.get_content_type() == "image/png").get_content()
    (folder / "letter.png").write_bytes(picture)
    html = re.sub(r'src="cid:[^"]*"', 'src="letter.png"', message.get_body(("html",)).get_content())
    (folder / "letter.html").write_text(html, encoding="utf-8")
    told, console = _opened(folder, ("letter.html",), PHONE_WIDTH)
    held = told["letter.html"]
    assert not console and held["page"] <= held["room"] and not held["wide"]

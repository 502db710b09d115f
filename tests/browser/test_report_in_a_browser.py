"""The report in a real browser: it renders, fits, and asks nobody for anything."""

import shutil
import subprocess
import threading
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer

import pytest

import underoak as uo

from noise import LEFT, TOP, noise_country

BROWSER = shutil.which("chromium") or shutil.which("chromium-browser") or shutil.which("google-chrome")
FLAGS = [
    "--headless", "--no-sandbox", "--disable-gpu", "--no-first-run", "--disable-background-networking",
    "--disable-component-update", "--disable-sync", "--disable-extensions", "--hide-scrollbars",
]  # fmt: skip

pytestmark = pytest.mark.skipif(BROWSER is None, reason="no Chromium here; .ci/run installs one")


@pytest.fixture(scope="module")
def report(tmp_path_factory):
    folder = tmp_path_factory.mktemp("browser")
    plan = noise_country(folder, 120, 120)
    plan["region"] = {"bounds": [LEFT, TOP - 3600, LEFT + 3600, TOP], "crs": "EPSG:25831", "cell": "30 m"}
    return uo.run(uo.load_plan(plan, base=folder), out=folder / "out").folder / "report.html"


def browse(report, tmp_path, *words):
    command = [BROWSER, *FLAGS, f"--user-data-dir={tmp_path / 'profile'}", *words, report.as_uri()]
    return subprocess.run(command, capture_output=True, text=True, timeout=90, check=False)


def test_the_page_renders_with_its_map(report, tmp_path):
    from PIL import Image

    shot = tmp_path / "shot.png"
    browse(report, tmp_path, "--window-size=1200,1600", f"--screenshot={shot}")
    image = Image.open(shot).convert("RGB")
    assert image.size == (1200, 1600)
    middle = image.crop((300, 500, 900, 1000)).resize((60, 50))
    colours = {middle.getpixel((x, y)) for x in range(60) for y in range(50)}
    assert len(colours) > 100  # the map, not an empty frame


@pytest.fixture
def listener():
    """A real server on this machine that counts who asks."""
    hits = []

    class Handler(BaseHTTPRequestHandler):
        def do_GET(self):
            hits.append(self.path)
            self.send_response(404)
            self.end_headers()

        def log_message(self, *_):
            pass

    server = ThreadingHTTPServer(("127.0.0.1", 0), Handler)
    threading.Thread(target=server.serve_forever, daemon=True).start()
    yield f"http://127.0.0.1:{server.server_port}", hits
    server.shutdown()


def test_even_a_spoiled_page_asks_nobody_for_anything(report, tmp_path, listener):
    address, hits = listener
    extra = f'<img src="{address}/i.png"><link rel="stylesheet" href="{address}/s.css">'
    extra += f'<script src="{address}/j.js"></script>'
    text = report.read_text(encoding="utf-8").replace("</main>", extra + "</main>")
    spoiled = report.with_name("spoiled_net.html")
    spoiled.write_text(text, encoding="utf-8")
    browse(spoiled, tmp_path, "--dump-dom")
    assert hits == []
    # the same page without its rules does ask, so the server would have seen it
    spoiled.write_text(text.replace("Content-Security-Policy", "X-Nothing"), encoding="utf-8")
    browse(spoiled, tmp_path, "--dump-dom")
    assert {"/i.png", "/s.css", "/j.js"} <= set(hits)


def test_its_own_rules_forbid_any_script(report, tmp_path):
    spoiled = report.with_name("spoiled.html")
    text = report.read_text(encoding="utf-8").replace("</main>", "<script>document.title='ran'</script></main>")
    spoiled.write_text(text, encoding="utf-8")
    assert "<title>ran" not in browse(spoiled, tmp_path, "--dump-dom").stdout

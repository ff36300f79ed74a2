"""A team logs in through a real OpenID provider: a process of its own on the loopback address.

The provider is `oidc-provider-mock` (OpenID Connect Core 1.0, code flow, signed identity
tokens); the page talks to it as to any other.
"""

from __future__ import annotations

import json
import subprocess
import sys
import time
import urllib.request
from collections.abc import Iterator
from pathlib import Path

import pytest
from browser_driver import FLAGS, PATIENCE_MS, chromium_path, free_port, page_served

from drawn_prints import as_bytes, draw_print
from loupebook.library import Element, IncomingPhoto, Library, Role, SpecimenRecord, Standing

playwright_api = pytest.importorskip(
    "playwright.sync_api", reason="playwright is not installed (extra 'test')"
)
pytest.importorskip("oidc_provider_mock", reason="oidc-provider-mock is not installed")
pytestmark = [pytest.mark.browser, pytest.mark.external]

PEOPLE = {
    "carla": ("carla@example.org", True, "C. Example", [Role.CURATOR]),
    "ines": ("ines@example.org", True, "I. Example", [Role.INSPECTOR]),
    "root": ("root@example.org", True, "R. Example", [Role.ADMINISTRATOR]),
    "locked": ("locked@example.org", True, "L. Example", []),
}
"""Subject → address, whether the provider has verified it, name, roles."""
STRANGERS = {"mallory": ("carla@example.org", False), "nobody": ("nobody@example.org", True)}
"""One claims the curator's address, which the provider has not verified."""
SECRET = "not-to-be-seen-anywhere-7f3a"


@pytest.fixture(scope="module")
def provider(tmp_path_factory: pytest.TempPathFactory) -> Iterator[str]:
    port = free_port()
    known = {sub: (mail, sure) for sub, (mail, sure, *_) in PEOPLE.items()} | STRANGERS
    users = [
        json.dumps({"sub": sub, "email": mail, "email_verified": sure})
        for sub, (mail, sure) in known.items()
    ]
    flags = [part for user in users for part in ("--user-claims", user)]
    log = (tmp_path_factory.mktemp("provider") / "log").open("wb")
    process = subprocess.Popen(
        [sys.executable, "-m", "oidc_provider_mock", "--port", str(port), *flags],
        stdout=log,
        stderr=subprocess.STDOUT,
    )
    address = f"http://localhost:{port}"
    opener = urllib.request.build_opener(urllib.request.ProxyHandler({}))
    try:
        for _ in range(200):
            try:
                opener.open(f"{address}/.well-known/openid-configuration", timeout=2)
                break
            except OSError:
                if process.poll() is not None:
                    pytest.fail("the provider stopped while starting")
                time.sleep(0.1)
        yield address
    finally:
        process.terminate()
        process.wait(timeout=30)
        log.close()


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("team")
    library = Library.create(folder / "set", name="Team")
    record = SpecimenRecord("S-1", Element.BAND, Standing.GENUINE)
    library.add_specimen(record, [IncomingPhoto(as_bytes(draw_print(1)), "1.png")], by="me")
    library.set_person("R. Example", identity="root@example.org", roles=["administrator"], by="me")
    for mail, _, name, roles in PEOPLE.values():
        library.set_person(name, identity=mail, roles=roles, by="me")
    library.close()
    return folder


@pytest.fixture(scope="module")
def address(provider: str, folder: Path) -> Iterator[str]:
    chromium_path()
    port = free_port()
    secrets = folder / "secrets.toml"
    secrets.write_text(
        "[auth]\n"
        f'redirect_uri = "http://localhost:{port}/oauth2callback"\n'
        f'cookie_secret = "{SECRET}-cookie-secret-of-some-length"\n'
        'client_id = "loupebook"\n'
        f'client_secret = "{SECRET}"\n'
        f'server_metadata_url = "{provider}/.well-known/openid-configuration"\n',
        encoding="utf-8",
    )
    flags = ("--secrets.files", str(secrets))
    with page_served(folder / "set", folder / "log", *flags, port=port):
        yield f"http://localhost:{port}"


@pytest.fixture(scope="module")
def browser() -> Iterator[playwright_api.Browser]:
    with playwright_api.sync_playwright() as driver:
        started = driver.chromium.launch(executable_path=chromium_path(), args=FLAGS)
        yield started
        started.close()


def arrived(browser: playwright_api.Browser, address: str, path: str = "") -> playwright_api.Page:
    page = browser.new_context(viewport={"width": 1440, "height": 900}).new_page()
    page.set_default_timeout(PATIENCE_MS // 2)
    page.goto(f"{address}/{path}")
    return page


def log_in(page: playwright_api.Page, subject: str) -> None:
    page.get_by_role("button", name="Log in").click()
    page.get_by_role("button", name=subject, exact=True).click()


def tabs(page: playwright_api.Page) -> set[str]:
    links = page.get_by_test_id("stTopNavLink").all_inner_texts()
    return {link.splitlines()[-1].strip() for link in links}


@pytest.mark.parametrize("path", ["", "library", "library?specimen=S-1", "upkeep"])
def test_nobody_sees_anything_before_logging_in(
    browser: playwright_api.Browser, address: str, path: str
) -> None:
    page = arrived(browser, address, path)
    page.get_by_role("heading", name="Log in").wait_for()
    assert "S-1" not in page.content()
    assert "Team" not in page.get_by_test_id("stMain").inner_text()


def test_each_person_gets_what_the_roles_allow(
    browser: playwright_api.Browser, address: str
) -> None:
    for subject, there, absent in (
        ("carla", {"Add specimens", "Confirm", "The set"}, set()),
        ("ines", {"Examine", "Library"}, {"Add specimens", "Confirm"}),
        ("root", {"The set", "Library"}, {"Add specimens", "Confirm"}),
    ):
        page = arrived(browser, address)
        log_in(page, subject)
        page.get_by_role("heading", name="Examine").wait_for()
        page.get_by_text(PEOPLE[subject][2]).wait_for()
        assert there <= tabs(page)
        assert not absent & tabs(page)
        page.context.close()


def test_a_change_bears_the_name_of_the_login(
    browser: playwright_api.Browser, address: str, folder: Path
) -> None:
    page = arrived(browser, address)
    log_in(page, "carla")
    page.get_by_role("heading", name="Examine").wait_for()
    page.goto(f"{address}/library?specimen=S-1")
    page.get_by_text("Withdraw this specimen").click()
    assert page.get_by_label("Your name").count() == 0
    page.get_by_role("textbox", name="Reason").fill("<b>doubt</b>")
    page.get_by_role("button", name="Withdraw", exact=True).click()
    page.get_by_text("Withdrawn, not searched.").wait_for()
    assert page.get_by_text("<b>doubt</b>").first.is_visible()  # as text, never as HTML
    with Library.open(folder / "set") as library:
        last = library.log()[-1]
    assert (last.action, last.actor) == ("withdraw", "C. Example")
    page.get_by_role("button", name="Log out").click()
    page.wait_for_url("**/end_session*")  # the provider asks whether to end its session too
    page.goto(f"{address}/library")
    page.get_by_role("heading", name="Log in").wait_for()


@pytest.mark.parametrize("subject", [*STRANGERS, "locked"])
def test_who_is_not_listed_or_not_verified_sees_nothing(
    browser: playwright_api.Browser, address: str, subject: str
) -> None:
    page = arrived(browser, address)
    log_in(page, subject)
    page.get_by_role("heading", name="You are logged in, but have no role here").wait_for()
    page.get_by_test_id("stCode").filter(has_text=subject).first.wait_for()
    assert "S-1" not in page.content()


def test_no_secret_is_in_the_log(address: str, folder: Path) -> None:
    log = (folder / "log").read_text(errors="replace")
    assert SECRET not in log
    assert "id_token" not in log

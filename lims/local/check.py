"""The check of a whole laboratory from outside: sign in as a person would, open the ranking, read it."""

import http.cookiejar
import time
import urllib.error
import urllib.parse
import urllib.request
from collections.abc import Callable
from dataclasses import dataclass, field
from html.parser import HTMLParser
from typing import Protocol

WAIT_SECONDS = 300.0
LOOK_EVERY = 1.0
SHOWN_ROWS = 5


class Reachable(Protocol):
    """What the check needs of a laboratory."""

    @property
    def address(self) -> str:
        """The address of the pages."""

    def sign_ins(self) -> str:
        """Who may sign in."""

    def look_after(self) -> None:
        """Start again what has died."""


@dataclass
class Page(HTMLParser):
    """The few things the check reads on a page: links, hidden fields, the rows of the ranking."""

    links: list[str] = field(default_factory=list)
    hidden: dict[str, str] = field(default_factory=dict)
    rows: list[list[str]] = field(default_factory=list)
    _in_ranking: bool = False
    _in_body: bool = False
    _in_cell: bool = False

    def __post_init__(self) -> None:
        super().__init__()

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        values = {key: value or "" for key, value in attrs}
        if tag == "a" and "href" in values:
            self.links.append(values["href"])
        elif tag == "input" and values.get("type") == "hidden":
            self.hidden[values.get("name", "")] = values.get("value", "")
        elif tag == "table":
            self._in_ranking = "data-ranking" in values
        elif tag == "tbody":
            self._in_body = self._in_ranking
        elif self._in_body:
            self._start_in_body(tag)

    def _start_in_body(self, tag: str) -> None:
        if tag == "tr":
            self.rows.append([])
        elif tag in {"td", "th"} and self.rows:
            self.rows[-1].append("")
            self._in_cell = True

    def handle_endtag(self, tag: str) -> None:
        if tag in {"td", "th"}:
            self._in_cell = False
        elif tag == "tbody":
            self._in_body = False
        elif tag == "table":
            self._in_ranking = False

    def handle_data(self, data: str) -> None:
        if self._in_cell and self._in_body:
            self.rows[-1][-1] = " ".join(f"{self.rows[-1][-1]} {data}".split())


class Visitor:
    """A person with a browser that keeps cookies."""

    def __init__(self, address: str) -> None:
        self.address = address
        jar = urllib.request.HTTPCookieProcessor(http.cookiejar.CookieJar())
        self._opener = urllib.request.build_opener(jar)

    def open(self, path: str, *, form: dict[str, str] | None = None) -> tuple[str, Page]:
        """Open a page, or send a form to it; return the address arrived at and the page."""
        address = urllib.parse.urljoin(self.address, path)
        request = urllib.request.Request(address, headers={"Referer": address})
        data = urllib.parse.urlencode(form).encode() if form is not None else None
        with self._opener.open(request, data=data, timeout=60) as answer:
            page = Page()
            page.feed(answer.read().decode("utf-8", errors="replace"))
            return str(answer.url), page

    def sign_in(self, *, user: str, password: str) -> None:
        """Sign in by the form, or say that it did not work."""
        _, page = self.open("sign-in/")
        reached, _ = self.open("sign-in/", form={**page.hidden, "username": user, "password": password})
        if "/sign-in/" in reached:
            raise PermissionError(f"{user} could not sign in with the password that was written down.")


def manager_sign_in(sign_ins: str) -> tuple[str, str]:
    """Return name and password of the manager: lines read `name password who the person is`."""
    lines = [line.split(maxsplit=2) for line in sign_ins.splitlines()]
    for words in lines:
        if len(words) == 3 and "manager" in words[2].lower():
            return words[0], words[1]
    raise LookupError("No manager stands in var/demo/sign-ins.txt.")


def read_ranking(visitor: Visitor) -> tuple[str, list[list[str]]]:
    """Open the listed comparisons one by one; return the address and the rows of the first that ranks samples."""
    listed, page = visitor.open("comparisons/")
    base = urllib.parse.urlsplit(listed).path
    paths = [urllib.parse.urlsplit(urllib.parse.urljoin(listed, link)).path for link in page.links]
    for path in dict.fromkeys(paths):
        if path.startswith(base) and path != base:
            address, comparison = visitor.open(path)
            if comparison.rows:
                return address, comparison.rows
    return listed, []


def check_ranking(laboratory: Reachable, *, say: Callable[[str], None]) -> int:
    """Wait until the ranking shows samples; print its address and first rows; return an exit code."""
    deadline = time.monotonic() + WAIT_SECONDS
    problem = "no comparison shows a ranked sample"
    visitor = Visitor(laboratory.address)
    try:
        user, password = manager_sign_in(laboratory.sign_ins())
        visitor.sign_in(user=user, password=password)
    except (LookupError, OSError) as refused:
        say(f"Check failed: {refused}")
        return 1
    while time.monotonic() < deadline:
        laboratory.look_after()
        try:
            address, rows = read_ranking(visitor)
        except (urllib.error.URLError, OSError) as fault:
            problem, rows = str(fault), []
        if rows:
            say(f"Ranked samples are at {address}")
            say("\n".join("  ".join(row) for row in rows[:SHOWN_ROWS]))
            return 0
        time.sleep(LOOK_EVERY)
    say(f"Check failed: after {WAIT_SECONDS:.0f} s {problem}.")
    return 1

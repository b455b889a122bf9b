"""Painting on a terminal from a thread: only what changed, never held up, and gone without a word when it goes."""

import threading

import pytest
from rich.text import Text

from standbook.cli.painter import Painter
from tests.cli.made_run import until


class Screen:
    """What a painter wrote."""

    def __init__(self):
        self.size = (20, 4)
        self.written = []
        self.error = None
        self.free = threading.Event()
        self.free.set()

    def write(self, data):
        self.free.wait()
        if self.error is not None:
            raise self.error
        some = data[: max(1, len(data) // 2)]  # a terminal takes what it likes
        self.written.append(some)
        return len(some)

    def text(self):
        return b"".join(self.written).decode()


@pytest.fixture
def screen():
    return Screen()


@pytest.fixture
def painter(screen):
    one = Painter(-1, size=lambda: screen.size, write=screen.write)
    yield one
    screen.free.set()
    one.close()


def lines(*texts):
    return lambda _width, _height: [Text(text) for text in texts]


def shown(painter, draw, **more):
    before = painter.pictures
    painter.show(draw, **more)
    until(lambda: painter.pictures > before or painter.is_gone or painter.failure, "a picture")


def test_the_first_picture_is_whole_and_later_ones_only_what_changed(painter, screen):
    shown(painter, lines("one", "two"))
    painter.show(lines("one", "three"))
    until(lambda: "three" in screen.text(), "the change")
    text = screen.text()
    assert (text.count("one"), text.count("two"), text.count("three")) == (1, 1, 1)
    assert text.startswith("\n" * 4 + "\x1b[H\x1b[J")  # what stood there is pushed up, not wiped out
    assert "\x1b[2;1Hthree\x1b[K" in text


def test_lines_that_are_gone_are_wiped_and_a_new_size_is_painted_whole(painter, screen):
    shown(painter, lines("one", "two"))
    shown(painter, lines("one"))
    until(lambda: screen.text().endswith("\x1b[2;1H\x1b[J"), "the wiping")
    screen.size = (30, 5)
    shown(painter, lines("one"))
    until(lambda: screen.text().count("one") == 2, "the new picture")


@pytest.mark.parametrize(("told", "drawn"), [((0, 0), (80, 24)), ((0, 30), (80, 30)), ((100, 0), (100, 24))])
def test_a_terminal_that_tells_no_size_is_drawn_as_the_usual_one(painter, screen, told, drawn):
    screen.size, sizes = told, []

    def draw(width, height):
        sizes.append((width, height))
        return [Text("one")]

    shown(painter, draw)
    assert sizes == [drawn]
    assert "one" in screen.text()


def test_the_bell_sounds_once_for_a_picture(painter, screen):
    shown(painter, lines("alarm"), bell=True)
    shown(painter, lines("alarm"))
    painter.close()
    assert screen.text().count("\a") == 1


def test_a_terminal_that_takes_nothing_holds_nobody_up(painter, screen):
    shown(painter, lines("one"))
    screen.free.clear()
    for number in range(1000):
        painter.show(lines(str(number)), bell=number == 500)
    screen.free.set()
    painter.close()
    assert "999" in screen.text()  # the newest, none of those between
    assert screen.text().count("\a") == 1
    assert painter.pictures < 10


def test_a_terminal_that_has_gone_ends_the_painting(painter, screen):
    screen.error = OSError(5, "gone")
    painter.show(lines("one"))
    until(lambda: painter.is_gone, "the end")
    painter.show(lines("two"))
    assert painter.failure is None


def test_what_fails_in_drawing_is_kept_for_whoever_records(painter):
    def draw(_width, _height):
        raise ZeroDivisionError

    painter.show(draw)
    until(lambda: painter.failure is not None, "the failure")
    assert isinstance(painter.failure, ZeroDivisionError)


def test_closing_leaves_the_last_picture_and_the_cursor_below_it(painter, screen):
    painter.show(lines("last"))
    painter.close()
    assert "last" in screen.text()
    assert screen.text().endswith("\x1b[4;1H\r\n")


def test_bold_and_reversed_reach_the_terminal(painter, screen):
    shown(painter, lambda _width, _height: [Text("loud", "bold reverse")])
    painter.close()
    assert "\x1b[1;7mloud\x1b[0m" in screen.text()
    assert painter.slowest >= 0.0
    assert painter.drawing >= painter.slowest

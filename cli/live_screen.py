"""Draw the live screen of a recording: a pure function from the live state to lines of text.

At 80 x 24 and above; smaller terminals lose what matters least first. Bold and reversed, no colour at all, so that
sunlight, a colour-blind reader and a printer see the same: every meaning is a word or a number. Alarms stand on top.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from textwrap import wrap
from typing import Final

from rich.text import Text

from standbook.cli.big_figures import figure_rows
from standbook.cli.live_words import (
    CAUTION_SHORT,
    WITHDRAWN,
    Head,
    Picture,
    age,
    agreement,
    band,
    disk_line,
    impulse_lines,
    is_safing,
    link_line,
    mark_lines,
    number_in,
    phase_words,
    redline_lines,
    seconds,
    shown,
    t_plus,
    vessel_line,
    vessel_value,
    what,
)
from standbook.daq.live.live_state import Indication, LiveState, VesselState

LOUD: Final = "bold reverse"
BOLD: Final = "bold"
TILE: Final = 20  # columns of the narrowest tile: five figures, or a band in words
LARGE_TILE: Final = 40  # from here on figures five rows high fit
MOST_ALARMS: Final = 3
COLUMN: Final = 26  # columns of one channel in the list of the others
MORE: Final = "  (+ more)"  # lines that there is no room for


@dataclass(slots=True)
class _Part:
    """Lines of one subject, the most telling first; ``least`` of them stay as long as anything else can go."""

    lines: list[Text]
    least: int
    spaced: bool = False  # likes an empty line above


def screen_lines(picture: Picture, width: int, height: int, *, blocks: bool = True) -> tuple[Text, ...]:
    """Draw the screen of one moment.

    Parameters
    ----------
    picture : Picture
        What is known.
    width, height : int
        Columns and rows of the terminal; never more lines than rows, never a line longer than the columns.
    blocks : bool
        The terminal can show block characters.
    """
    parts = _parts(picture, width, large=True, blocks=blocks)
    if sum(len(part.lines) for part in parts) > height:
        parts = _parts(picture, width, large=False, blocks=blocks)
    lines = _fitted(parts, width, height)
    for line in lines:
        line.truncate(width, overflow="ellipsis" if blocks else "crop")
        line.no_wrap = True
    return tuple(lines)


def _parts(picture: Picture, width: int, *, large: bool, blocks: bool) -> list[_Part]:
    state = picture.state
    keys = _key_channels(state)
    if is_safing(state) and state.vessels:
        tiles = [_vessel_tile(vessel, _tile_width(width, len(state.vessels), large)) for vessel in state.vessels]
        sentences = [Text(line, BOLD) for vessel in state.vessels for line in wrap(vessel.sentence, width - 1)]
        vessels = _Part(sentences, len(sentences))
        others = state.channels
    else:
        tiles = [_channel_tile(channel, _tile_width(width, len(keys), large)) for channel in keys]
        vessels = _Part([_vessel_text(vessel) for vessel in state.vessels], len(state.vessels))
        others = tuple(channel for channel in state.channels if channel not in keys)
    main = _tiled(tiles, width, large=large, blocks=blocks)
    links = _links(picture, width)
    return [
        _Part([_header(picture)], 1),
        _alarms(picture, width),
        _Part(main, len(main), spaced=True),
        vessels,
        _Part(_listed(others, width), 1, spaced=True),
        _impulse(state, width),
        _redlines(state),
        _Part(links, len(links), spaced=True),
        _marks(picture, width),
        _Part(_footer(picture.head, width), 1, spaced=True),
    ]


def _fitted(parts: list[_Part], width: int, height: int) -> list[Text]:
    """Take away until all fits, the least first; what room is left goes between subjects."""
    for part in (parts[8], parts[4], parts[5], parts[6], parts[3], parts[9], parts[7], parts[2]):
        excess = sum(len(p.lines) for p in parts) - height
        if excess > 0 and len(part.lines) > part.least:
            del part.lines[max(part.least, len(part.lines) - excess) :]
            if part.lines:
                part.lines[-1].truncate(width - len(MORE))
                part.lines[-1].append(MORE)
    disk_space = height - sum(len(part.lines) for part in parts)
    lines: list[Text] = []
    for part in parts:
        if part is parts[-1]:
            lines += [Text("")] * max(0, disk_space)
        elif part.spaced and part.lines and disk_space > 0:
            lines.append(Text(""))
            disk_space -= 1
        lines += part.lines
    return lines[:height]


def _header(picture: Picture) -> Text:
    state, head = picture.state, picture.head
    line = Text(f"{head.number} {head.kind} ", BOLD)
    if state.rehearsal:
        line.append(" REHEARSAL ", LOUD)
        line.append(" ")
    line.append(f" {phase_words(state)} ", LOUD)
    line.append(f"  {t_plus(state.since_t_zero)}", BOLD)
    line.append(f"  recording {seconds(state.elapsed)}")
    return line


def _alarms(picture: Picture, width: int) -> _Part:
    """Give the first ones out and the one called last, then those that somebody has seen; each is told or counted."""
    loud = [sentence for sentence in picture.alarms if sentence not in picture.acknowledged]
    seen = [sentence for sentence in picture.alarms if sentence in picture.acknowledged]
    lines = [
        Text(line.ljust(width), LOUD)
        for sentence in _few(loud, picture.newest)
        for line in wrap(f"!! {sentence}", width, subsequent_indent="   ", break_on_hyphens=False)
    ]
    lines += [
        Text(line, BOLD)
        for sentence in _few(seen, picture.newest)
        for line in wrap(f"!! seen, still so: {sentence}", width, subsequent_indent="   ", break_on_hyphens=False)
    ]
    return _Part(lines, len(lines))


def _few(alarms: Sequence[str], newest: str) -> Sequence[str]:
    if len(alarms) <= MOST_ALARMS:
        return alarms
    first = alarms[: MOST_ALARMS - 1]
    last = newest if newest in alarms and newest not in first else alarms[-1]
    return (*first, f"(+{len(alarms) - MOST_ALARMS} more)  {last}")


# --- tiles -------------------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class _Tile:
    """One big value."""

    title: str
    figure: str
    below: tuple[tuple[str, str], ...]  # text, style


def _key_channels(state: LiveState) -> tuple[Indication, ...]:
    return tuple(channel for channel in state.channels if channel.is_key) or state.channels[:4]


def _tile_width(width: int, count: int, large: bool) -> int:
    least = LARGE_TILE if large else TILE
    in_a_row = min(max(1, count), max(1, width // least))
    return width // in_a_row


def _channel_tile(channel: Indication, width: int) -> _Tile:
    value = shown(channel)
    if value == WITHDRAWN:
        last = (channel.standing.value.upper(), LOUD)
    else:
        words = band(channel, width - 1)
        last = (words or "no band now", LOUD if channel.is_outside else BOLD if words else "")
    return _Tile(
        f"{channel.tag} {what(channel)}", value, ((_ends(channel.unit, age(channel.age), width - 2), BOLD), last)
    )


def _vessel_tile(vessel: VesselState, width: int) -> _Tile:
    known = vessel_value(vessel) != "unknown"
    figure = number_in(vessel.value, vessel.unit) if known and vessel.value is not None else WITHDRAWN
    old = "" if vessel.age is None else age(vessel.age)
    unit = (_ends(vessel.unit, old, width - 2), BOLD) if known else ("UNKNOWN", LOUD)
    told = "not confirmed by two" if vessel.agree is None and len(vessel.sensors) > 1 else agreement(vessel)
    return _Tile(vessel.name, figure, (unit, (told, BOLD)))


def _ends(left: str, right: str, width: int) -> str:
    return f"{left}{right.rjust(max(len(right) + 1, width - len(left)))}"


def _tiled(tiles: Sequence[_Tile], width: int, *, large: bool, blocks: bool) -> list[Text]:
    """Put tiles side by side, and in more rows where they do not fit."""
    if not tiles:
        return []
    each = _tile_width(width, len(tiles), large)
    in_a_row = max(1, width // each)
    lines: list[Text] = []
    for first in range(0, len(tiles), in_a_row):
        row = tiles[first : first + in_a_row]
        lines.append(_beside([(tile.title, BOLD) for tile in row], each))
        figures = [figure_rows(tile.figure, each - 1, large=large, blocks=blocks) for tile in row]
        lines += [_beside([(rows[k], BOLD) for rows in figures], each) for k in range(len(figures[0]))]
        lines += [_beside([tile.below[k] for tile in row], each) for k in range(len(row[0].below))]
    return lines


def _beside(cells: Sequence[tuple[str, str]], width: int) -> Text:
    line = Text()
    for text, style in cells:
        cut = text[: width - 1]
        line.append(cut, style)
        line.append(" " * (width - len(cut)))
    line.rstrip()
    return line


# --- lists -------------------------------------------------------------------------------------------------


def _vessel_text(vessel: VesselState) -> Text:
    known = vessel_value(vessel) != "unknown" and vessel.agree is not False
    return Text(vessel_line(vessel), "" if known else BOLD)


def _listed(channels: Sequence[Indication], width: int) -> list[Text]:
    """Write the other channels, several in a line."""
    in_a_line = max(1, width // COLUMN)
    lines: list[Text] = []
    for first in range(0, len(channels), in_a_line):
        line = Text()
        for channel in channels[first : first + in_a_line]:
            value = shown(channel)
            if value == WITHDRAWN:
                cell, style = f"{channel.tag} {WITHDRAWN} {channel.standing.value.upper()}", BOLD
            else:
                out = " OUT" if channel.is_outside else ""
                cell, style = f"{channel.tag} {value} {channel.unit}{out}", BOLD if out else ""
            line.append(cell[: COLUMN - 1].ljust(COLUMN), style)
        line.rstrip()
        lines.append(line)
    return lines


def _impulse(state: LiveState, width: int) -> _Part:
    if state.impulse is None:
        return _Part([], 0)
    value, sentence = impulse_lines(state.impulse)
    told = wrap(sentence, width - 1, initial_indent="  ", subsequent_indent="  ") if sentence else []
    lines = [Text(value, BOLD), *map(Text, told)]
    return _Part(lines, len(lines))  # a number without what it cannot say would say too much


def _redlines(state: LiveState) -> _Part:
    lines = redline_lines(state.redlines, state.since_t_zero)
    tripped = sum(redline.tripped_at is not None for redline in state.redlines)
    texts = [Text(line, BOLD if k < tripped else "") for k, line in enumerate(lines)]
    return _Part(texts, max(1, tripped) if texts else 0)


def _links(picture: Picture, width: int) -> list[Text]:
    lines = [
        Text(line, BOLD if link.state != "recording" else "")
        for link in picture.links
        for line in wrap(link_line(link), width, subsequent_indent="  ", replace_whitespace=False)
    ]
    disk = disk_line(picture.disk)
    if len(lines) == 1 and len(lines[0]) + 2 + len(disk) <= width:
        lines[0].append(f"  {disk}")
        return lines
    return [*lines, Text(disk)]


def _marks(picture: Picture, width: int) -> _Part:
    """Give the newest marks, then what was said of the recording itself."""
    newest = mark_lines(picture.state.marks, picture.state.since_t_zero)[:3]
    marks = [line for mark in newest for line in wrap(mark, width - 1, subsequent_indent="  ")]
    notices = [line for notice in reversed(picture.notices) for line in wrap(f"Note: {notice}", width - 1)]
    return _Part([Text(line) for line in (*marks, *notices)], min(1, len(marks)))


def _footer(head: Head, width: int) -> list[Text]:
    if not head.takes_keys:
        return [Text(f"{CAUTION_SHORT}  {head.leave}", BOLD)]
    keys = ", ".join(f"{key} = {text}" for key, text in {"space": "mark", **dict(head.mark_keys)}.items())
    keys = f"{keys}, backspace = void, enter = seen"
    return [Text(f"{CAUTION_SHORT}  {head.leave}", BOLD), *(Text(line) for line in wrap(f"Keys: {keys}", width - 1))]

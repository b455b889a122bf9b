"""Draw the live screen of a recording: a pure function from the live state to lines of text.

At 80 x 24 and above; smaller terminals lose what matters least first. Bold and reversed, no colour at all, so that
sunlight, a colour-blind reader and a printer see the same: every meaning is a word or a number. Alarms stand on top.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

from rich.cells import cell_len
from rich.text import Text

from standbook.cli.big_figures import figure_rows
from standbook.cli.live_words import (
    CAUTION_SHORT,
    UNKNOWN,
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
    more,
    number_in,
    padded,
    phase_words,
    redline_lines,
    seconds,
    shown,
    t_plus,
    vessel_line,
    vessel_value,
    what,
    whole_lines,
)
from standbook.daq.live.live_state import Indication, LiveState, VesselState
from standbook.daq.printable import printable

LOUD: Final = "bold reverse"
BOLD: Final = "bold"
TILE: Final = 20  # columns of the narrowest tile: five figures, or a band in words
LARGE_TILE: Final = 40  # from here on figures five rows high fit
MOST_ALARMS: Final = 3
MOST_MARKS: Final = 3
MOST_NOTES: Final = 3
COLUMN: Final = 26  # columns of one channel in the list of the others
CELL: Final = "none"  # no style; where it begins, a cell of a list does


@dataclass(slots=True)
class _Part:
    """Lines of one subject, the most telling first; ``least`` of them stay as long as anything else can go."""

    lines: list[Text]
    least: int
    spaced: bool = False  # likes an empty line above
    is_whole: bool = False  # half of it would say something else
    noun: str = "line"  # what is counted in its last line; empty: at the foot of the screen
    hidden: int = 0  # of these, taken away, of which its last line tells

    def give_way(self, least: int, excess: int, width: int) -> int:
        """Take away as many lines as are too many, down to a least; return how many nothing tells of."""
        removed = min(excess, len(self.lines) - least)
        if removed <= 0:
            return 0
        kept = 0 if self.is_whole else len(self.lines) - removed
        hidden, self.hidden = self.hidden + sum(map(_size, self.lines[kept:])), 0
        del self.lines[kept:]
        if not self.lines or not self.noun:
            return hidden
        last = self.lines[-1]
        shorter = _shortened(last, width - len(more(hidden + _size(last), self.noun)))
        if shorter is None:
            return hidden
        self.hidden = hidden + _size(last) - _size(shorter)
        self.lines[-1] = shorter.append(more(self.hidden, self.noun))
        return 0


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
        line.truncate(width, overflow="crop")  # narrower than a word
        line.no_wrap = True
    return tuple(lines)


def _parts(picture: Picture, width: int, *, large: bool, blocks: bool) -> list[_Part]:
    state = picture.state
    keys = _key_channels(state)
    if is_safing(state) and state.vessels:
        tiles = [_vessel_tile(vessel, _tile_width(width, len(state.vessels), large)) for vessel in state.vessels]
        sentences = [line for vessel in state.vessels for line in _texts(vessel.sentence, width, BOLD)]
        vessels = _Part(sentences, len(sentences))
        others = state.channels
    else:
        tiles = [_channel_tile(channel, _tile_width(width, len(keys), large)) for channel in keys]
        told = [line for vessel in state.vessels for line in _vessel_texts(vessel, width)]
        vessels = _Part(told, len(told))
        others = tuple(channel for channel in state.channels if channel not in keys)
    main = _tiled(tiles, width, large=large, blocks=blocks)
    links = _links(picture, width)
    footer, caution = _footer(picture.head, width)
    return [
        _Part(_header(picture, width), 1),
        _alarms(picture, width),
        _Part(main, len(main), spaced=True),
        vessels,
        _Part(_listed(others, width), 1, spaced=True, noun="channel"),
        _impulse(state, width),
        _redlines(state, width),
        _Part(links, len(links), spaced=True),
        _marks(picture, width),
        _Part(footer, caution, spaced=True, noun=""),
    ]


def _fitted(parts: list[_Part], width: int, height: int) -> list[Text]:
    """Take away until all fits, the least first; what room is left goes between subjects.

    Where the least of everything is still too much, only header, alarms and the caution are left in the end.
    """
    header, alarms, main, vessels, others, impulse, redlines, links, marks, footer = parts
    untold = 0
    steps = [(part, part.least) for part in (marks, others, impulse, redlines, vessels, footer, links, main)]
    steps += [(part, 0) for part in (marks, others, redlines, impulse, vessels, links, main)]
    for part, least in (*steps, (header, 1), (alarms, 1), (footer, 1)):
        untold += part.give_way(least, sum(len(p.lines) for p in parts) - height, width)
    if untold and footer.lines[0].cell_len + len(more(untold)) <= width:
        footer.lines[0].append(more(untold))
    room = height - sum(len(part.lines) for part in parts)
    lines: list[Text] = []
    for part in parts:
        if part is footer:
            lines += [Text("")] * max(0, room)
        elif part.spaced and part.lines and room > 0:
            lines.append(Text(""))
            room -= 1
        lines += part.lines
    return lines[:height]


def _size(line: Text) -> int:
    """Count the cells of a line of a list; any other line is one."""
    return max(1, sum(span.style == CELL for span in line.spans))


def _shortened(line: Text, width: int) -> Text | None:
    """Make room at the end of a line: of a list whole cells are left out, else there is room or none."""
    if line.cell_len <= width:
        return line
    starts = (span.start for span in line.spans if span.style == CELL)
    cut = max((start for start in starts if cell_len(line.plain[:start]) <= width), default=0)
    if not cut:
        return None
    shorter = line[:cut]
    shorter.rstrip()
    return shorter


def _texts(text: str, width: int, style: str = "", *, first: str = "") -> list[Text]:
    """Write a text in as many lines as it takes, those after the first moved in."""
    return [Text(line, style) for line in whole_lines(text, width, first=first)]


def _header(picture: Picture, width: int) -> list[Text]:
    state, head = picture.state, picture.head
    pieces = [(printable(f"{head.number} {head.kind}"), BOLD)]
    pieces += [(" REHEARSAL ", LOUD)] if state.rehearsal else []
    pieces += [(f" {phase_words(state)} ", LOUD), (f" {t_plus(state.since_t_zero)}", BOLD)]
    pieces += [(f" recording {seconds(state.elapsed)}", "")]
    lines = [Text()]
    for text, style in pieces:
        if lines[-1] and lines[-1].cell_len + 1 + cell_len(text) > width:
            lines.append(Text("  "))
            text = text.strip() if style != LOUD else text
        elif lines[-1]:
            lines[-1].append(" ")
        first, *rest = whole_lines(text, width) if cell_len(text) > width else [text]
        lines[-1].append(first, style)
        lines += [Text(line, style) for line in rest]
    return lines


def _alarms(picture: Picture, width: int) -> _Part:
    """Give the first ones out and the one called last, then those that somebody has seen; each is told or counted."""
    loud = [sentence for sentence in picture.alarms if sentence not in picture.acknowledged]
    seen = [sentence for sentence in picture.alarms if sentence in picture.acknowledged]
    lines = [
        Text(padded(line, width), LOUD)
        for sentence in _few(loud, picture.newest)
        for line in whole_lines(f"!! {sentence}", width, indent="   ")
    ]
    lines += [
        Text(line, BOLD)
        for sentence in _few(seen, picture.newest)
        for line in whole_lines(f"!! seen, still so: {sentence}", width, indent="   ")
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
    """One big value; what stands below it takes as many rows as it needs."""

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
    known = vessel_value(vessel) != UNKNOWN
    figure = number_in(vessel.value, vessel.unit) if known and vessel.value is not None else WITHDRAWN
    old = "" if vessel.age is None else age(vessel.age)
    unit = (_ends(vessel.unit, old, width - 2), BOLD) if known else (UNKNOWN.upper(), LOUD)
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
        lines += _beside([(whole_lines(tile.title, each - 1, indent=""), BOLD) for tile in row], each)
        figures = [figure_rows(tile.figure, each - 1, large=large, blocks=blocks) for tile in row]
        lines += _beside([(rows, BOLD) for rows in figures], each)
        for k in range(len(row[0].below)):
            told = [tile.below[k] for tile in row]
            lines += _beside([(whole_lines(text, each - 1, indent=""), style) for text, style in told], each)
    return lines


def _beside(cells: Sequence[tuple[Sequence[str], str]], width: int) -> list[Text]:
    """Put cells of one or more rows side by side."""
    lines = []
    for k in range(max(len(rows) for rows, _ in cells)):
        line = Text()
        for rows, style in cells:
            text = rows[k] if k < len(rows) else ""
            line.append(text, style)
            line.append(" " * (width - cell_len(text)))
        line.rstrip()
        lines.append(line)
    return lines


# --- lists -------------------------------------------------------------------------------------------------


def _vessel_texts(vessel: VesselState, width: int) -> list[Text]:
    known = vessel_value(vessel) != UNKNOWN and vessel.agree is not False
    return _texts(vessel_line(vessel), width, "" if known else BOLD)


def _listed(channels: Sequence[Indication], width: int) -> list[Text]:
    """Write the other channels, several in a line; a long one takes the room of two."""
    lines: list[Text] = []
    room = 0
    for channel in channels:
        value = shown(channel)
        if value == WITHDRAWN:
            words, style = f"{channel.tag} {WITHDRAWN} {channel.standing.value.upper()}", BOLD
        else:
            out = " OUT" if channel.is_outside else ""
            words, style = f"{channel.tag} {value} {channel.unit}{out}", BOLD if out else CELL
        words = printable(words)
        columns = cell_len(words) // COLUMN + 1
        if cell_len(words) > width:
            lines, room = [*lines, *_texts(words, width, style)], 0
            continue
        if cell_len(words) > room:
            lines.append(Text())
            room = width
        begin = len(lines[-1])
        lines[-1].append(padded(words, columns * COLUMN), CELL)
        if style != CELL:
            lines[-1].stylize(style, begin)
        room -= columns * COLUMN
    for line in lines:
        line.rstrip()
    return lines


def _impulse(state: LiveState, width: int) -> _Part:
    if state.impulse is None:
        return _Part([], 0)
    value, sentence = impulse_lines(state.impulse, state.channels)
    told = _texts(sentence, width, first="  ") if sentence else []
    lines = [*_texts(value, width, BOLD), *told]
    return _Part(lines, len(lines), is_whole=True)  # a number without what it cannot say would say too much


def _redlines(state: LiveState, width: int) -> _Part:
    lines = redline_lines(state.redlines, state.since_t_zero)
    tripped = sum(redline.tripped_at is not None for redline in state.redlines)
    texts = [_texts(line, width, BOLD if k < tripped else "") for k, line in enumerate(lines)]
    first = sum(len(lines) for lines in texts[: max(1, tripped)])
    return _Part([line for lines in texts for line in lines], first)


def _links(picture: Picture, width: int) -> list[Text]:
    lines = [
        line
        for link in picture.links
        for line in _texts(link_line(link), width, BOLD if link.state != "recording" else "")
    ]
    disk = disk_line(picture.disk)
    if len(lines) == 1 and lines[0].cell_len + 2 + len(disk) <= width:
        lines[0].append(f"  {disk}")
        return lines
    return [*lines, *_texts(disk, width)]


def _marks(picture: Picture, width: int) -> _Part:
    """Give the newest marks, then what was said of the recording itself; those not told are counted."""
    told = mark_lines(picture.state.marks, picture.state.since_t_zero)
    marks = [line for mark in told[:MOST_MARKS] for line in _texts(mark, width)]
    if len(told) > MOST_MARKS:
        marks += [Text(f"(+ {len(told) - MOST_MARKS} earlier marks)")]
    notes = picture.notices[::-1]
    lines = [line for notice in notes[:MOST_NOTES] for line in _texts(f"Note: {notice}", width)]
    earlier = max(0, len(notes) - MOST_NOTES) + picture.earlier_notices
    if earlier:
        lines += [Text(f"(+ {earlier:,} earlier notes)")]
    return _Part([*marks, *lines], min(1, len(marks)))


def _footer(head: Head, width: int) -> tuple[list[Text], int]:
    """Give the caution and how to leave, and the number of their lines; then the keys."""
    caution = _texts(f"{CAUTION_SHORT}  {head.leave}", width, BOLD)
    if not head.takes_keys:
        return caution, len(caution)
    keys = ", ".join(f"{key} = {text}" for key, text in {"space": "mark", **dict(head.mark_keys)}.items())
    keys = f"{keys}, backspace = void, enter = seen"
    return [*caution, *_texts(f"Keys: {keys}", width)], len(caution)

/* Reads cases from standard input, makes each a frame with the firmware's framing, writes the frames to standard
 * output. Compiles as C99 and as C++.
 *
 * A case: u32 length of what follows, u8 what, u16 room of the frame's buffer, then its fields, little-endian.
 * An answer: u16 length as the framing returned it, then so many bytes. Every buffer and every text lies in an
 * allocation of its own, exactly as large as it is said to be, so that the sanitizer sees a step past either end.
 */
#include "standbook_frame.h"

#include <stdio.h>
#include <stdlib.h>
#include <string.h>

enum { RAW = 0x10, PIECES = 0x11, CRC = 0x12 };

#define ROOM_AS_ADVISED 0xFFFFu /* what SB_WIRE_BYTES says of the body's length */

static const uint8_t *cursor, *case_end;

static void fail(const char *why)
{
    fprintf(stderr, "frame_driver: %s\n", why);
    exit(3);
}

static void *exactly(size_t length)
{
    void *bytes = malloc(length);
    if (bytes == NULL && length > 0)
        fail("no memory");
    return bytes;
}

static const uint8_t *take(size_t length)
{
    const uint8_t *at = cursor;
    if ((size_t)(case_end - cursor) < length)
        fail("a case is too short");
    cursor += length;
    return at;
}

static uint32_t number(size_t length)
{
    const uint8_t *at = take(length);
    uint32_t value = 0;
    while (length-- > 0)
        value = value << 8 | at[length];
    return value;
}

static uint8_t u8(void)
{
    return (uint8_t)number(1);
}

static uint16_t u16(void)
{
    return (uint16_t)number(2);
}

static int32_t i32(void)
{
    uint32_t value = number(4);
    int32_t as_signed;
    memcpy(&as_signed, &value, sizeof as_signed);
    return as_signed;
}

static char *text(void)
{
    size_t length = u16();
    char *copy = (char *)exactly(length + 1);
    memcpy(copy, take(length), length);
    copy[length] = '\0';
    return copy;
}

static uint8_t *bytes_of(size_t length)
{
    uint8_t *copy = (uint8_t *)exactly(length);
    if (length > 0)
        memcpy(copy, take(length), length);
    return copy;
}

static void answer(const uint8_t *frame, size_t length)
{
    uint8_t head[2];
    head[0] = (uint8_t)(length & 0xFFu);
    head[1] = (uint8_t)(length >> 8);
    if (fwrite(head, 1, 2, stdout) != 2 || fwrite(frame, 1, length, stdout) != length)
        fail("cannot write");
}

static size_t room_for(size_t stated, size_t body)
{
    return stated == ROOM_AS_ADVISED ? (size_t)SB_WIRE_BYTES(body) : stated;
}

static void hello_case(size_t stated)
{
    sb_hello hello;
    sb_channel *channels;
    sb_line *lines;
    char *device = text(), *serial = text(), *firmware = text(), *name = text();
    size_t room = stated == ROOM_AS_ADVISED ? (size_t)SB_MAX_FRAME : stated;
    uint8_t *out = (uint8_t *)exactly(room);
    uint8_t index;
    memset(&hello, 0, sizeof hello);
    hello.device = device;
    hello.serial = serial;
    hello.firmware = firmware;
    hello.name = name;
    hello.boot = number(4);
    hello.tick_hz = number(4);
    hello.stream = u8();
    hello.streams = u8();
    hello.interval_ticks = number(4);
    hello.skew_ticks = number(4);
    hello.channel_count = u8();
    channels = (sb_channel *)exactly(hello.channel_count * sizeof *channels);
    for (index = 0; index < hello.channel_count; index++) {
        channels[index].name = text();
        channels[index].type = (sb_type)u8();
        channels[index].minimum = i32();
        channels[index].maximum = i32();
    }
    hello.line_count = u8();
    lines = (sb_line *)exactly(hello.line_count * sizeof *lines);
    for (index = 0; index < hello.line_count; index++) {
        lines[index].line = u8();
        lines[index].name = text();
    }
    hello.channels = channels;
    hello.lines = lines;
    answer(out, sb_hello_frame(out, room, &hello));
    for (index = 0; index < hello.channel_count; index++)
        free((void *)channels[index].name);
    for (index = 0; index < hello.line_count; index++)
        free((void *)lines[index].name);
    free(channels);
    free(lines);
    free(device);
    free(serial);
    free(firmware);
    free(name);
    free(out);
}

/* A row that the batch or a type refuses is left out, as it would be on a board. */
static void samples_case(size_t stated)
{
    uint8_t stream = u8(), boot = u8(), lines = u8();
    uint16_t layout = u16();
    uint32_t sequence = number(4), ticks = number(4);
    uint8_t channels = u8();
    const uint8_t *types = take(channels);
    size_t batch_room = u16(), rows = u16(), row_bytes = 0, room;
    uint8_t *bytes = (uint8_t *)exactly(batch_room), *row, *out;
    uint8_t index;
    sb_batch batch;
    for (index = 0; index < channels; index++)
        row_bytes += sb_type_bytes((sb_type)types[index]);
    row = (uint8_t *)exactly(row_bytes);
    sb_batch_begin(&batch, bytes, batch_room, (uint16_t)row_bytes, lines, sequence, ticks);
    while (rows-- > 0) {
        bool fits = true;
        size_t used = 0;
        for (index = 0; index < channels; index++) {
            uint8_t packed = sb_pack(row + used, (sb_type)types[index], i32());
            fits = fits && packed > 0;
            used += packed;
        }
        if (fits)
            sb_batch_row(&batch, row);
    }
    room = room_for(stated, SB_SAMPLES_HEADER + batch.used);
    out = (uint8_t *)exactly(room);
    answer(out, sb_samples_frame(out, room, stream, boot, layout, &batch));
    free(out);
    free(row);
    free(bytes);
}

static void edge_case(size_t stated)
{
    size_t room = room_for(stated, SB_EDGE_BODY);
    uint8_t *out = (uint8_t *)exactly(room);
    uint8_t line = u8(), boot = u8(), level = u8();
    uint16_t edges = u16();
    uint32_t ticks = number(4);
    answer(out, sb_edge_frame(out, room, line, boot, level, edges, ticks));
    free(out);
}

static void note_case(size_t stated)
{
    uint8_t severity = u8(), boot = u8();
    uint32_t ticks = number(4);
    char *words = text();
    size_t room = room_for(stated, SB_NOTE_HEADER + strlen(words));
    uint8_t *out = (uint8_t *)exactly(room);
    answer(out, sb_note_frame(out, room, severity, boot, ticks, words));
    free(out);
    free(words);
}

static void beat_case(size_t stated)
{
    uint8_t boot = u8(), levels = u8();
    uint32_t ticks = number(4);
    uint8_t lines = u8(), streams = u8(), index;
    size_t room = room_for(stated, SB_BEAT_HEADER + (size_t)lines * SB_BEAT_LINE + (size_t)streams * SB_BEAT_STREAM);
    uint8_t *out = (uint8_t *)exactly(room);
    sb_line_state *line_states = (sb_line_state *)exactly(lines * sizeof *line_states);
    sb_stream_state *stream_states = (sb_stream_state *)exactly(streams * sizeof *stream_states);
    for (index = 0; index < lines; index++) {
        line_states[index].edges = u16();
        line_states[index].last_ticks = number(4);
    }
    for (index = 0; index < streams; index++) {
        stream_states[index].stream = u8();
        stream_states[index].next_sequence = number(4);
    }
    answer(out, sb_beat_frame(out, room, boot, levels, ticks, line_states, lines, stream_states, streams));
    free(stream_states);
    free(line_states);
    free(out);
}

/* A body at once, or in pieces of one to four bytes through each of the small putters. */
static void raw_case(size_t stated, bool in_pieces)
{
    size_t length = u16(), room = room_for(stated, length), done = 1;
    uint8_t *body = bytes_of(length), *out = (uint8_t *)exactly(room);
    sb_frame frame;
    sb_begin(&frame, out, room, body[0]);
    if (!in_pieces)
        sb_put_bytes(&frame, body + 1, length - 1);
    while (in_pieces && done < length) {
        size_t left = length - done, size = 1 + done % 4;
        const uint8_t *at = body + done;
        if (size > left)
            size = left;
        if (size == 1)
            sb_put_u8(&frame, at[0]);
        else if (size == 2)
            sb_put_u16(&frame, (uint16_t)(at[0] | at[1] << 8));
        else if (size == 3)
            sb_put_u24(&frame, (uint32_t)at[0] | (uint32_t)at[1] << 8 | (uint32_t)at[2] << 16);
        else
            sb_put_u32(&frame, (uint32_t)at[0] | (uint32_t)at[1] << 8 | (uint32_t)at[2] << 16 | (uint32_t)at[3] << 24);
        done += size;
    }
    answer(out, sb_end(&frame));
    free(out);
    free(body);
}

static void crc_case(void)
{
    size_t first = u16(), second = u16();
    uint8_t *a = bytes_of(first), *b = bytes_of(second), out[4], index;
    uint32_t crc = sb_crc32(sb_crc32(0, a, first), b, second);
    for (index = 0; index < 4; index++)
        out[index] = (uint8_t)(crc >> 8 * index);
    answer(out, 4);
    free(b);
    free(a);
}

static void one_case(void)
{
    uint8_t what = u8();
    size_t room = u16();
    if (what == SB_KIND_HELLO)
        hello_case(room);
    else if (what == SB_KIND_SAMPLES)
        samples_case(room);
    else if (what == SB_KIND_EDGE)
        edge_case(room);
    else if (what == SB_KIND_NOTE)
        note_case(room);
    else if (what == SB_KIND_BEAT)
        beat_case(room);
    else if (what == RAW || what == PIECES)
        raw_case(room, what == PIECES);
    else if (what == CRC)
        crc_case();
    else
        fail("a case of no kind");
    if (cursor != case_end)
        fail("a case is too long");
}

int main(void)
{
    uint8_t head[4];
    while (fread(head, 1, 4, stdin) == 4) {
        size_t length = (size_t)head[0] | (size_t)head[1] << 8 | (size_t)head[2] << 16 | (size_t)head[3] << 24;
        uint8_t *content = (uint8_t *)exactly(length);
        if (fread(content, 1, length, stdin) != length)
            fail("standard input ends within a case");
        cursor = content;
        case_end = content + length;
        one_case();
        free(content);
    }
    return fflush(stdout) == 0 ? 0 : 3;
}

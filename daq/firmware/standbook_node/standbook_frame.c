#include "standbook_frame.h"

#include <string.h>

#include "standbook_flash.h"

/* The CRC of a byte is that of its low nibble and that of its high nibble, XORed: two tables of 16 instead of one of
 * 256 (128 bytes of flash instead of 1,024), and no 32-bit shift by four, which costs an AVR most of its time. */
static const uint32_t crc_low[16] FLASH = {
    0x00000000u, 0x77073096u, 0xEE0E612Cu, 0x990951BAu, 0x076DC419u, 0x706AF48Fu, 0xE963A535u, 0x9E6495A3u,
    0x0EDB8832u, 0x79DCB8A4u, 0xE0D5E91Eu, 0x97D2D988u, 0x09B64C2Bu, 0x7EB17CBDu, 0xE7B82D07u, 0x90BF1D91u,
};
static const uint32_t crc_high[16] FLASH = {
    0x00000000u, 0x1DB71064u, 0x3B6E20C8u, 0x26D930ACu, 0x76DC4190u, 0x6B6B51F4u, 0x4DB26158u, 0x5005713Cu,
    0xEDB88320u, 0xF00F9344u, 0xD6D6A3E8u, 0xCB61B38Cu, 0x9B64C2B0u, 0x86D3D2D4u, 0xA00AE278u, 0xBDBDF21Cu,
};

/* Of bytes that follow each other, without the inversions at both ends. */
static uint32_t crc_run(uint32_t crc, const uint8_t *bytes, size_t length)
{
    const uint8_t *end = bytes + length;
    while (bytes != end) {
        uint8_t index = (uint8_t)((uint8_t)crc ^ *bytes++);
        crc >>= 8;
        crc ^= FLASH_U32(&crc_low[index & 15u]);
        crc ^= FLASH_U32(&crc_high[index >> 4]);
    }
    return crc;
}

uint32_t sb_crc32(uint32_t crc, const void *bytes, size_t length)
{
    return ~crc_run(~crc, (const uint8_t *)bytes, length);
}

/* ---- COBS --------------------------------------------------------------------------------------------------- */

/* Stuff bytes that follow each other. A block ends at a zero, or by itself when it has 254 bytes; the next one is then
 * opened only when a byte comes, so that a frame that ends there has no empty block behind it.
 *
 * What changes at each byte is kept outside the structure meanwhile: that halves the time on an 8-bit processor. */
static bool stuff(sb_frame *frame, const uint8_t *bytes, size_t length)
{
    const uint8_t *end = bytes + length;
    uint8_t *at = frame->out + frame->used;
    uint8_t *limit = frame->out + frame->room;
    uint8_t *code_at = frame->out + frame->code_at;
    uint8_t code = frame->code;
    bool fits = true;
    while (bytes != end) {
        uint8_t byte = *bytes;
        if (at == limit) {
            fits = false;
            break;
        }
        if (byte == 0 || code == 0xFF) {
            bool full = code == 0xFF;
            *code_at = code;
            code_at = at++;
            code = 1;
            if (full)
                continue; /* the byte has yet to go into the block just opened */
        } else {
            *at++ = byte;
            code++;
        }
        bytes++;
    }
    frame->used = (size_t)(at - frame->out);
    frame->code_at = (size_t)(code_at - frame->out);
    frame->code = code;
    return fits;
}

static bool put(sb_frame *frame, const uint8_t *bytes, size_t length)
{
    if (frame->refused || length == 0)
        return !frame->refused;
    if (length > SB_MAX_BODY - frame->body || !stuff(frame, bytes, length)) {
        frame->refused = true;
        return false;
    }
    frame->body += length;
    frame->crc = crc_run(frame->crc, bytes, length);
    return true;
}

bool sb_begin(sb_frame *frame, uint8_t *out, size_t room, uint8_t kind)
{
    frame->out = out;
    frame->room = room;
    frame->used = 1;
    frame->code_at = 0;
    frame->body = 0;
    frame->crc = 0xFFFFFFFFu;
    frame->code = 1;
    frame->refused = room < SB_WIRE_BYTES(1);
    return put(frame, &kind, 1);
}

bool sb_put_u8(sb_frame *frame, uint8_t value)
{
    return put(frame, &value, 1);
}

static bool put_low(sb_frame *frame, uint32_t value, uint8_t length)
{
    uint8_t bytes[4];
    uint8_t byte;
    for (byte = 0; byte < length; byte++, value >>= 8)
        bytes[byte] = (uint8_t)value;
    return put(frame, bytes, length);
}

bool sb_put_u16(sb_frame *frame, uint16_t value)
{
    return put_low(frame, value, 2);
}

bool sb_put_u24(sb_frame *frame, uint32_t value)
{
    return put_low(frame, value, 3);
}

bool sb_put_u32(sb_frame *frame, uint32_t value)
{
    return put_low(frame, value, 4);
}

bool sb_put_bytes(sb_frame *frame, const void *bytes, size_t length)
{
    return put(frame, (const uint8_t *)bytes, length);
}

size_t sb_end(sb_frame *frame)
{
    uint32_t crc = ~frame->crc;
    uint8_t bytes[SB_CRC_BYTES];
    uint8_t byte;
    if (frame->refused)
        return 0;
    for (byte = 0; byte < SB_CRC_BYTES; byte++, crc >>= 8)
        bytes[byte] = (uint8_t)crc;
    if (!stuff(frame, bytes, SB_CRC_BYTES) || frame->used == frame->room) {
        frame->refused = true;
        return 0;
    }
    frame->out[frame->code_at] = frame->code;
    frame->out[frame->used++] = 0;
    return frame->used;
}

/* ---- counts and rows ---------------------------------------------------------------------------------------- */

uint8_t sb_type_bytes(sb_type type)
{
    switch (type) {
    case SB_U8:
        return 1;
    case SB_I16:
    case SB_U16:
        return 2;
    case SB_I24:
        return 3;
    case SB_I32:
        return 4;
    }
    return 0;
}

static bool fits(sb_type type, int32_t count)
{
    switch (type) {
    case SB_U8:
        return count >= 0 && count <= 0xFF;
    case SB_I16:
        return count >= -0x8000L && count <= 0x7FFFL;
    case SB_U16:
        return count >= 0 && count <= 0xFFFFL;
    case SB_I24:
        return count >= -0x800000L && count <= 0x7FFFFFL;
    case SB_I32:
        return true;
    }
    return false;
}

uint8_t sb_pack(uint8_t *at, sb_type type, int32_t count)
{
    uint8_t bytes = sb_type_bytes(type);
    uint32_t value = (uint32_t)count;
    uint8_t byte;
    if (!fits(type, count))
        return 0;
    for (byte = 0; byte < bytes; byte++, value >>= 8)
        at[byte] = (uint8_t)value;
    return bytes;
}

void sb_batch_begin(sb_batch *batch, uint8_t *bytes, size_t room, uint16_t row_bytes, uint8_t lines,
                    uint32_t sequence, uint32_t ticks)
{
    batch->bytes = bytes;
    batch->room = room < SB_MAX_BODY - SB_SAMPLES_HEADER ? room : SB_MAX_BODY - SB_SAMPLES_HEADER;
    batch->used = 0;
    batch->row_bytes = row_bytes;
    batch->count = 0;
    batch->lines = lines;
    batch->sequence = sequence;
    batch->ticks = ticks;
}

bool sb_batch_row(sb_batch *batch, const uint8_t *row)
{
    if (batch->count == 0xFF || batch->row_bytes == 0 || batch->room - batch->used < batch->row_bytes)
        return false;
    memcpy(batch->bytes + batch->used, row, batch->row_bytes);
    batch->used += batch->row_bytes;
    batch->count++;
    return true;
}

size_t sb_samples_frame(uint8_t *out, size_t room, uint8_t stream, uint8_t boot, uint16_t layout,
                        const sb_batch *batch)
{
    sb_frame frame;
    if (batch->count == 0 || batch->used != (size_t)batch->count * batch->row_bytes)
        return 0;
    sb_begin(&frame, out, room, SB_KIND_SAMPLES);
    sb_put_u8(&frame, stream);
    sb_put_u8(&frame, boot);
    sb_put_u16(&frame, layout);
    sb_put_u8(&frame, batch->lines);
    sb_put_u8(&frame, batch->count);
    sb_put_u32(&frame, batch->sequence);
    sb_put_u32(&frame, batch->ticks);
    sb_put_bytes(&frame, batch->bytes, batch->used);
    return sb_end(&frame);
}

/* ---- the short frames --------------------------------------------------------------------------------------- */

size_t sb_edge_frame(uint8_t *out, size_t room, uint8_t line, uint8_t boot, uint8_t level, uint16_t edges,
                     uint32_t ticks)
{
    sb_frame frame;
    sb_begin(&frame, out, room, SB_KIND_EDGE);
    sb_put_u8(&frame, line);
    sb_put_u8(&frame, boot);
    sb_put_u8(&frame, level);
    sb_put_u16(&frame, edges);
    sb_put_u32(&frame, ticks);
    return sb_end(&frame);
}

size_t sb_note_frame(uint8_t *out, size_t room, uint8_t severity, uint8_t boot, uint32_t ticks, const char *text)
{
    sb_frame frame;
    sb_begin(&frame, out, room, SB_KIND_NOTE);
    sb_put_u8(&frame, severity);
    sb_put_u8(&frame, boot);
    sb_put_u32(&frame, ticks);
    sb_put_bytes(&frame, text, strlen(text));
    return sb_end(&frame);
}

size_t sb_beat_frame(uint8_t *out, size_t room, uint8_t boot, uint8_t lines, uint32_t ticks,
                     const sb_line_state *line_states, uint8_t line_count, const sb_stream_state *stream_states,
                     uint8_t stream_count)
{
    sb_frame frame;
    uint8_t index;
    if (line_count > SB_MAX_LINES)
        return 0;
    sb_begin(&frame, out, room, SB_KIND_BEAT);
    sb_put_u8(&frame, boot);
    sb_put_u8(&frame, lines);
    sb_put_u32(&frame, ticks);
    for (index = 0; index < line_count; index++) {
        sb_put_u16(&frame, line_states[index].edges);
        sb_put_u32(&frame, line_states[index].last_ticks);
    }
    for (index = 0; index < stream_count; index++) {
        sb_put_u8(&frame, stream_states[index].stream);
        sb_put_u32(&frame, stream_states[index].next_sequence);
    }
    return sb_end(&frame);
}

/* Wire format 1, the sending half: bodies to frames, straight into a buffer of the caller's.
 *
 * On the wire a frame is COBS(body + CRC) and one 0x00; the CRC is CRC-32/ISO-HDLC of the body, little-endian, as
 * all integers are. COBS and CRC are made byte by byte while the body is put, so no second buffer is needed.
 * Portable C99: no malloc, no board, no state outside the structures; usable from C++ and in an interrupt.
 *
 * Whatever does not fit (the buffer, the 1,020 bytes of a body, the range of a type) is refused by the return
 * value; nothing is ever written past the room that was given. A frame that was refused once stays refused:
 * put all, then look at what sb_end() says. Its bytes are not to be sent.
 *
 * Ticks are of the device clock and roll over at 2^32, as sequences do. Counts are raw.
 */
#ifndef STANDBOOK_FRAME_H
#define STANDBOOK_FRAME_H

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

#ifdef __cplusplus
extern "C" {
#endif

enum {
    SB_FORMAT = 1,
    SB_MAX_BODY = 1020, /* bytes of kind and content, without CRC */
    SB_CRC_BYTES = 4,
    SB_SAMPLES_HEADER = 15, /* bytes of a samples body before its rows */
    SB_EDGE_BODY = 10,
    SB_NOTE_HEADER = 7,
    SB_BEAT_HEADER = 7,
    SB_BEAT_LINE = 6,
    SB_BEAT_STREAM = 5,
    SB_MAX_LINES = 8 /* levels travel as the bits of one byte */
};

/* Most bytes that a body of so many takes on the wire: CRC, one COBS code and one more for each full block of 254,
 * the delimiter. */
#define SB_WIRE_BYTES(body) ((body) + SB_CRC_BYTES + 1 + ((body) + SB_CRC_BYTES - 1) / 254 + 1)
#define SB_MAX_FRAME SB_WIRE_BYTES(SB_MAX_BODY)

enum { SB_KIND_HELLO = 1, SB_KIND_SAMPLES = 2, SB_KIND_EDGE = 3, SB_KIND_NOTE = 4, SB_KIND_BEAT = 5 };

/* Severity of a note, by custom of this firmware: 0 for the record, 1 look at it, 2 data were lost. */
enum { SB_NOTE_INFORMATION = 0, SB_NOTE_WARNING = 1, SB_NOTE_LOSS = 2 };

typedef enum { SB_U8, SB_I16, SB_U16, SB_I24, SB_I32 } sb_type;

/* ---- a frame in the making ---------------------------------------------------------------------------------- */

typedef struct {
    uint8_t *out;   /* the caller's buffer */
    size_t room;    /* bytes of it */
    size_t used;    /* written so far, the open code byte included */
    size_t code_at; /* where the code byte of the open block stands */
    size_t body;    /* bytes of body so far */
    uint32_t crc;   /* of the body so far, not yet inverted */
    uint8_t code;   /* of the open block: its bytes and one; a full block has 255 */
    bool refused;
} sb_frame;

/* Begin a frame in `out`. False: there is no room even for the shortest frame. */
bool sb_begin(sb_frame *frame, uint8_t *out, size_t room, uint8_t kind);

/* Put a part of the body. False: refused, now or before. */
bool sb_put_u8(sb_frame *frame, uint8_t value);
bool sb_put_u16(sb_frame *frame, uint16_t value);
bool sb_put_u24(sb_frame *frame, uint32_t value); /* the low 24 bits, so i24 too */
bool sb_put_u32(sb_frame *frame, uint32_t value);
bool sb_put_bytes(sb_frame *frame, const void *bytes, size_t length);

/* End the frame with CRC and delimiter. Gives its length on the wire, 0 when it was refused. */
size_t sb_end(sb_frame *frame);

/* CRC-32/ISO-HDLC: begin with 0, go on with the last result. Of "123456789" it is 0xCBF43926. */
uint32_t sb_crc32(uint32_t crc, const void *bytes, size_t length);

/* ---- counts and rows ---------------------------------------------------------------------------------------- */

/* Bytes of a packed count; 0 for what is no type. */
uint8_t sb_type_bytes(sb_type type);

/* Pack a count at `at`, little-endian. Gives its bytes, 0 (and nothing written) when it does not fit its type. */
uint8_t sb_pack(uint8_t *at, sb_type type, int32_t count);

/* Rows that follow each other without a hole, gathered one by one as they are taken. The fields may be read at any
 * time; an interrupt that fills `bytes` by itself adds to `used` and `count` as sb_batch_row() does. */
typedef struct {
    uint8_t *bytes;     /* the caller's, packed rows */
    size_t room;        /* bytes of it */
    size_t used;
    uint16_t row_bytes;
    uint8_t count;      /* rows in it, at most 255 */
    uint8_t lines;      /* levels of the digital inputs at the first row */
    uint32_t sequence;  /* number of the first row since boot */
    uint32_t ticks;     /* device clock at the first row */
} sb_batch;

/* Empty a batch and say where its first row stands. */
void sb_batch_begin(sb_batch *batch, uint8_t *bytes, size_t room, uint16_t row_bytes, uint8_t lines,
                    uint32_t sequence, uint32_t ticks);

/* Add a row of `row_bytes` packed bytes. False: the batch is full (its room, 255 rows, or what a frame holds). */
bool sb_batch_row(sb_batch *batch, const uint8_t *row);

/* ---- what a device says of itself --------------------------------------------------------------------------- */

typedef struct {
    const char *name; /* 1 to 64 characters, UTF-8; no comma, colon or @ */
    sb_type type;
    int32_t minimum; /* counts at the lower rail */
    int32_t maximum; /* counts at the upper rail */
} sb_channel;

typedef struct {
    uint8_t line; /* its bit in every byte of levels, 0 to 7 */
    const char *name;
} sb_line;

/* One stream of a device. Text is UTF-8 without control characters. */
typedef struct {
    const char *device;
    const char *serial;
    const char *firmware;
    uint32_t boot;
    uint32_t tick_hz;
    uint8_t stream;
    uint8_t streams; /* how many the device has */
    const char *name;
    uint32_t interval_ticks;
    const sb_channel *channels;
    uint8_t channel_count;
    const sb_line *lines;
    uint8_t line_count;
    /* Ticks from one channel of a row to the next, where one converter takes them in turn. Not 0: told as a last key
     * "skew_ticks" of the hello, which a reader of format 1 may pass over. */
    uint32_t skew_ticks;
} sb_hello;

/* Low 16 bits of the CRC-32 of "name:type,...@interval_ticks". */
uint16_t sb_layout(const sb_hello *hello);

/* ---- whole frames: each gives its length on the wire, 0 when it was refused ------------------------------------ */

typedef struct {
    uint16_t edges;      /* of this line since boot, modulo 2^16 */
    uint32_t last_ticks; /* of the last one */
} sb_line_state;

typedef struct {
    uint8_t stream;
    uint32_t next_sequence; /* first row of the samples frame that comes next on the wire */
} sb_stream_state;

/* Refused besides: no channel, or text with a control character in it. */
size_t sb_hello_frame(uint8_t *out, size_t room, const sb_hello *hello);

/* Refused besides: an empty batch. */
size_t sb_samples_frame(uint8_t *out, size_t room, uint8_t stream, uint8_t boot, uint16_t layout,
                        const sb_batch *batch);

size_t sb_edge_frame(uint8_t *out, size_t room, uint8_t line, uint8_t boot, uint8_t level, uint16_t edges,
                     uint32_t ticks);

/* A text that does not fit is refused, not cut. */
size_t sb_note_frame(uint8_t *out, size_t room, uint8_t severity, uint8_t boot, uint32_t ticks, const char *text);

/* `lines` are the levels; the states stand in the order of hello's lines. */
size_t sb_beat_frame(uint8_t *out, size_t room, uint8_t boot, uint8_t lines, uint32_t ticks,
                     const sb_line_state *line_states, uint8_t line_count, const sb_stream_state *stream_states,
                     uint8_t stream_count);

#ifdef __cplusplus
}
#endif

#endif

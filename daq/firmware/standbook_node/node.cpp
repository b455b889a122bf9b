/* What is sent, and when: hello at the start and each stream once a second, beats ten a second, rows when a batch of
 * them is complete, edges and notes at once. Nothing waits for the link: what finds no room now is tried again at the
 * next turn of loop(), and rows that pile up meanwhile are skipped, counted and told of.
 */
#include "board.h"
#include "bridge_adc.h"

#define CHANNEL_OF_HELLO(name, pin, type, minimum, maximum) {name, type, minimum, maximum},
#define LINE_OF_HELLO(name, pin, sense) {0, name},

static const sb_channel channels[] = {NODE_CHANNELS(CHANNEL_OF_HELLO)};
#if NODE_BRIDGE
static const sb_channel bridge_channels[] = {NODE_BRIDGE_CHANNELS(CHANNEL_OF_HELLO)};
#endif
/* One more than there are, since an array of none is no C++. */
static sb_line lines[] = {NODE_LINES(LINE_OF_HELLO){0, ""}};

constexpr uint8_t FAST = 1;
constexpr uint8_t BRIDGE = 2;

/* Text, numbers, layout: the same for the whole of a boot. */
static sb_hello hello[STREAMS];
static uint16_t layout[STREAMS];
static uint8_t boot; /* low byte */
static uint32_t hello_due[STREAMS], beat_due, loss_told, edge_loss_told;
static uint32_t told_skipped, told_unsent;
static bool hello_waits;

#if NODE_BRIDGE
/* Rows of the bridge converter, which keeps its own time: a frame carries the time at which its first row was ready,
 * and the rows of a frame are few, so that a converter some per cent off its nominal rate spoils no time by more than
 * so many per cent of that. A conversion that was not fetched before the next came is skipped and counted. */
static sb_batch bridge;
static uint8_t bridge_storage[NODE_BRIDGE_ROWS * BRIDGE_ROW_BYTES];
static uint32_t bridge_next, bridge_skipped, bridge_last, bridge_heard;
static bool bridge_seen, bridge_closed;

static void bridge_skip(uint32_t rows)
{
    bridge_next += rows;
    bridge_skipped += rows;
    bridge_closed = bridge.count > 0;
}

static void take_bridge(void)
{
    uint32_t ticks;
    int32_t counts[BRIDGE_CHANNELS];
    uint8_t row[BRIDGE_ROW_BYTES];
    if (!board_bridge_ready(&ticks))
        return;
    bridge_result result = bridge_take(counts);
    board_bridge_done();
    if (result != BRIDGE_ROW) /* nothing was converted, so it has no number */
        return;
    bridge_heard = board_ticks();
    uint32_t steps = (ticks - bridge_last + BRIDGE_INTERVAL_TICKS / 2) / BRIDGE_INTERVAL_TICKS;
    if (bridge_seen && steps > 1)
        bridge_skip(steps - 1);
    bridge_seen = true;
    bridge_last = ticks;
    uint8_t used = 0;
    for (uint8_t index = 0; index < BRIDGE_CHANNELS; index++) {
        uint8_t packed = sb_pack(row + used, bridge_channels[index].type, counts[index]);
        if (packed == 0) { /* no count of this type: the converter was misread */
            bridge_skip(1);
            return;
        }
        used += packed;
    }
    if (bridge_closed) {
        bridge_skip(1);
        return;
    }
    if (bridge.count == 0)
        sb_batch_begin(&bridge, bridge_storage, sizeof bridge_storage, BRIDGE_ROW_BYTES, board_lines(nullptr),
                       bridge_next, ticks);
    sb_batch_row(&bridge, row);
    bridge_next++;
    bridge_closed = bridge.count == NODE_BRIDGE_ROWS;
}

static uint32_t bridge_next_sequence(void)
{
    return bridge.count ? bridge.sequence : bridge_next;
}
#endif

static uint32_t skipped_rows(void)
{
#if NODE_BRIDGE
    return board_skipped_rows() + bridge_skipped;
#else
    return board_skipped_rows();
#endif
}

static bool is_due(uint32_t at)
{
    return static_cast<int32_t>(board_ticks() - at) >= 0;
}

/* The time after this one; from now on when it has gone by as well. */
static uint32_t next_due(uint32_t at, uint32_t every)
{
    return is_due(at + every) ? board_ticks() + every : at + every;
}

static bool send_hello(uint8_t stream)
{
    size_t bound = SB_WIRE_BYTES(stream ? BRIDGE_HELLO_BODY : HELLO_BODY);
    uint8_t *out = board_room(bound);
    if (!out)
        return false;
    board_send(sb_hello_frame(out, bound, &hello[stream]));
    return true;
}

static bool send_note(uint8_t severity, uint32_t ticks, const char *text)
{
    uint8_t *out = board_room(SB_WIRE_BYTES(NOTE_BODY));
    if (!out)
        return false;
    board_send(sb_note_frame(out, SB_WIRE_BYTES(NOTE_BODY), severity, boot, ticks, text));
    return true;
}

static bool send_beat(void)
{
    uint8_t *out = board_room(SB_WIRE_BYTES(BEAT_BODY));
    if (!out)
        return false;
    sb_line_state states[LINES + 1];
    sb_stream_state streams[STREAMS];
    uint8_t levels = board_lines(states);
    streams[0].stream = FAST;
    streams[0].next_sequence = board_next_sequence();
#if NODE_BRIDGE
    streams[1].stream = BRIDGE;
    streams[1].next_sequence = bridge_next_sequence();
#endif
    /* The time is taken after the edges: a last edge later than its beat would be placed 71 minutes early. */
    board_send(sb_beat_frame(out, SB_WIRE_BYTES(BEAT_BODY), boot, levels, board_ticks(), states, LINES, streams,
                             STREAMS));
    return true;
}

static bool send_rows(uint8_t stream, size_t body, const sb_batch *batch)
{
    uint8_t *out = board_room(SB_WIRE_BYTES(body));
    if (!out)
        return false;
    board_send(sb_samples_frame(out, SB_WIRE_BYTES(body), stream + 1, boot, layout[stream], batch));
    return true;
}

/* One at a time: a line that chatters must not keep rows from being framed. What then finds no place to wait is counted
 * by the board, told by beats, and noted. */
static bool send_edge(void)
{
    board_edge edge;
    uint8_t *out;
    if (!board_edge_peek(&edge) || !(out = board_room(SB_WIRE_BYTES(SB_EDGE_BODY))))
        return false;
    board_send(sb_edge_frame(out, SB_WIRE_BYTES(SB_EDGE_BODY), edge.line, boot, edge.level, edge.edges, edge.ticks));
    board_edge_done();
    return true;
}

/* Losses are added up and told twice a second at most: a link that is too slow must not drown in notes about it. They
 * may come hours apart, so the time since the last note is asked for: a time at which the next is due would lie ahead
 * again when half of the clock's round has gone by. */
static bool may_tell(uint32_t told)
{
    return board_ticks() - told >= NOTE_EVERY;
}

static void send_losses(void)
{
    uint32_t now = board_ticks(); /* of the count, so taken with it: a sentence takes an AVR a millisecond */
    uint32_t skipped = skipped_rows();
    if (skipped != told_skipped && may_tell(loss_told)) {
        node_note note;
        note.say(NODE_TEXT("overrun: "));
        note.say(skipped - told_skipped);
        note.say(NODE_TEXT(" rows skipped, "));
        note.say(skipped);
        note.say(NODE_TEXT(" since boot"));
        if (send_note(SB_NOTE_LOSS, now, note.text)) {
            told_skipped = skipped;
            loss_told = now;
        }
    }
    uint32_t unsent = board_unsent_edges();
    if (unsent != told_unsent && may_tell(edge_loss_told)) {
        node_note note;
        note.say(NODE_TEXT("too many edges at once: "));
        note.say(unsent - told_unsent);
        note.say(NODE_TEXT(" counted but not sent, "));
        note.say(unsent);
        note.say(NODE_TEXT(" since boot"));
        if (send_note(SB_NOTE_LOSS, board_ticks(), note.text)) {
            told_unsent = unsent;
            edge_loss_told = board_ticks();
        }
    }
}

#if NODE_BRIDGE
/* Fed by rows that were taken, not by looks at a pin: a missing chip's line may look ready for ever. */
static void watch_bridge(void)
{
    uint32_t now = board_ticks();
    if (now - bridge_heard < BRIDGE_PATIENCE)
        return;
    node_note note;
    note.say(NODE_TEXT("bridge: no answer"));
    if (send_note(SB_NOTE_LOSS, now, note.text))
        bridge_heard = now;
}
#endif

static void send_remarks(void)
{
    node_note note;
    if (board_room(SB_WIRE_BYTES(NOTE_BODY)) && board_remark(&note))
        send_note(note.severity, note.ticks, note.text);
}

static void describe(uint8_t stream, const char *name, uint32_t interval_ticks, const sb_channel *of_stream,
                     uint8_t count)
{
    sb_hello *about = &hello[stream];
    about->device = NODE_DEVICE;
    about->serial = NODE_SERIAL;
    about->firmware = NODE_FIRMWARE;
    about->boot = board_boot();
    about->tick_hz = TICK_HZ;
    about->stream = stream + 1;
    about->streams = STREAMS;
    about->name = name;
    about->interval_ticks = interval_ticks;
    about->channels = of_stream;
    about->channel_count = count;
    about->lines = lines;
    about->line_count = LINES;
    about->skew_ticks = stream == 0 && CHANNELS > 1 ? board_skew_ticks() : 0;
    layout[stream] = sb_layout(about);
}

void node_begin(void)
{
    board_begin();
    boot = static_cast<uint8_t>(board_boot());
    for (uint8_t line = 0; line < LINES; line++)
        lines[line].line = line;
    describe(0, NODE_STREAM, INTERVAL_TICKS, channels, CHANNELS);
#if NODE_BRIDGE
    describe(1, "bridge", BRIDGE_INTERVAL_TICKS, bridge_channels, BRIDGE_CHANNELS);
    bridge_begin();
#endif
    /* A reset may have cut a frame in two: end it, so that it does not spoil the hello. */
    uint8_t *out = board_room(1);
    *out = 0;
    board_send(1);
    uint32_t now = board_ticks();
    for (uint8_t stream = 0; stream < STREAMS; stream++)
        hello_due[stream] = send_hello(stream) ? now + HELLO_EVERY : now;
    beat_due = now + BEAT_EVERY;
    loss_told = edge_loss_told = now - NOTE_EVERY;
#if NODE_BRIDGE
    bridge_heard = now;
#endif
    board_start();
}

static bool send_batch(void)
{
    const sb_batch *batch = board_batch();
    if (!batch || !send_rows(0, SAMPLES_BODY, batch))
        return false;
    board_batch_done();
    return true;
}

void node_run(void)
{
    board_work();
    bool edge_sent = send_edge();
    send_losses();
    send_remarks();
    /* Complete batches first: making a hello takes an AVR some milliseconds, and all batches should be free then. */
    if (!hello_waits && send_batch())
        return;
#if NODE_BRIDGE
    take_bridge();
    watch_bridge();
    if (bridge_closed && send_rows(1, BRIDGE_SAMPLES_BODY, &bridge)) {
        bridge.count = 0;
        bridge_closed = false;
    }
#endif
    if (is_due(beat_due) && send_beat())
        beat_due = next_due(beat_due, BEAT_EVERY);
    /* A hello needs the longest piece of the ring, and rows would always take it away. So when one is due and finds no
     * room, the rows wait in their batches until it has. */
    hello_waits = false;
    for (uint8_t stream = 0; stream < STREAMS; stream++)
        if (is_due(hello_due[stream])) {
            if (send_hello(stream))
                hello_due[stream] = next_due(hello_due[stream], HELLO_EVERY);
            else
                hello_waits = true;
        }
    if (!edge_sent) /* or there may be another */
        board_rest();
}

/* What the node needs of a board. The files board_avr*.cpp give it for the ATmega328P and 2560 by their registers, the
 * files board_arduino*.cpp for any other board by the plain Arduino calls. Only one of the two is compiled in.
 *
 * Nothing here reads the link: what is sent to the board changes nothing.
 */
#ifndef BOARD_H
#define BOARD_H

#include "node.h"

#if defined(__AVR_ATmega328P__) || defined(__AVR_ATmega2560__)
#define BOARD_AVR 1
#else
#define BOARD_AVR 0
#endif

struct board_edge {
    uint32_t ticks;
    uint16_t edges; /* of its line since boot, this one included */
    uint8_t line;
    uint8_t level;
};

/* Clock, pins, link and boot counter; then the link takes bytes, but no row is taken before board_start(). */
void board_begin(void);
void board_start(void);

uint32_t board_boot(void);  /* number of this start */
uint32_t board_ticks(void); /* microseconds since the clock began, 32 bits */
uint32_t board_skew_ticks(void); /* from one channel of a row to the next, 0 when not known */

/* What must be done again and again besides: nothing on a board that interrupts drive. */
void board_work(void);

/* Nothing is left to do: sleep until the next interrupt, on a board that has one for each row. */
void board_rest(void);

/* The oldest batch of rows that is complete; null when there is none. It stays until it is called done. */
const sb_batch *board_batch(void);
void board_batch_done(void);
uint32_t board_next_sequence(void); /* first row of the batch that comes next, complete or not */
uint32_t board_skipped_rows(void);  /* since boot */

/* The oldest edge not yet taken; false when there is none. */
bool board_edge_peek(board_edge *edge);
void board_edge_done(void);
uint32_t board_unsent_edges(void); /* found no place to wait: only counted */

/* The levels; with `states` not null, count and time of the last edge of each line at the same instant. */
uint8_t board_lines(sb_line_state *states);

/* Room for a frame of so many bytes in one piece; null when there is none now. It is sent once it is handed over. */
uint8_t *board_room(size_t bytes);
void board_send(size_t bytes);

/* What a board says of lines that it cannot watch; `bits` are theirs. */
static inline void say_unwatched(node_note *note, uint8_t bits)
{
    note->severity = SB_NOTE_LOSS;
    note->say(NODE_TEXT("a digital line is on a pin without interrupt and not watched, bits "));
    note->say(static_cast<uint32_t>(bits));
}

/* The next thing that the board has to say for itself; false when there is none. */
bool board_remark(node_note *note);

/* With NODE_BRIDGE: a row of the bridge converter is ready, and was seen to be at `ticks`; it has been fetched. */
bool board_bridge_ready(uint32_t *ticks);
void board_bridge_done(void);

#endif

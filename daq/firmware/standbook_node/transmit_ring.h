/* A ring of whole frames on their way to the link. Each frame lies in one piece, so that it is made in place and never
 * copied; what remains at the end of the ring when a frame does not fit there stays unused for that round.
 *
 * One side adds frames, the other takes bytes. Where that other side is an interrupt, transmit_place() and
 * transmit_add() are called with interrupts off; a frame is made between the two, with interrupts on.
 */
#ifndef TRANSMIT_RING_H
#define TRANSMIT_RING_H

#include "node.h"

struct transmit_ring {
    uint8_t bytes[NODE_LINK_BYTES];
    size_t head;  /* where the next frame goes, unless it wraps */
    size_t tail;  /* the next byte to send */
    size_t end;   /* bytes from here on are not in use this round */
    size_t place; /* of the frame in the making */
};

/* Where a frame of so many bytes can be made; null when there is no room now. */
static inline uint8_t *transmit_place(transmit_ring *ring, size_t bytes)
{
    if (ring->head == ring->tail) {
        ring->head = ring->tail = 0;
        ring->end = NODE_LINK_BYTES;
    }
    if (ring->head >= ring->tail) {
        if (NODE_LINK_BYTES - ring->head >= bytes)
            ring->place = ring->head;
        else if (bytes < ring->tail) /* less, or a full ring would look like an empty one */
            ring->place = 0;
        else
            return nullptr;
    } else if (bytes < ring->tail - ring->head) {
        ring->place = ring->head;
    } else {
        return nullptr;
    }
    return ring->bytes + ring->place;
}

/* The frame at that place is complete. */
static inline void transmit_add(transmit_ring *ring, size_t bytes)
{
    if (ring->place != ring->head)
        ring->end = ring->head;
    ring->head = ring->place + bytes;
}

static inline bool transmit_empty(const transmit_ring *ring)
{
    return ring->head == ring->tail;
}

/* The next byte; only when the ring is not empty. */
static inline uint8_t transmit_take(transmit_ring *ring)
{
    size_t tail = ring->tail;
    if (tail == ring->end) {
        tail = 0;
        ring->end = NODE_LINK_BYTES;
    }
    ring->tail = tail + 1;
    return ring->bytes[tail];
}

/* The bytes that can be sent in one piece, for a link that takes many at once. */
static inline const uint8_t *transmit_run(transmit_ring *ring, size_t *bytes)
{
    if (ring->tail == ring->end && ring->tail != ring->head) {
        ring->tail = 0;
        ring->end = NODE_LINK_BYTES;
    }
    *bytes = (ring->head >= ring->tail ? ring->head : ring->end) - ring->tail;
    return ring->bytes + ring->tail;
}

static inline void transmit_drop(transmit_ring *ring, size_t bytes)
{
    ring->tail += bytes;
}

#endif

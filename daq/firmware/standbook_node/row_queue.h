/* Rows as they are taken, in batches that have no hole, until they are framed.
 *
 * The sequence counts every row whose time has come, taken or not. A row that finds no free batch, or comes while the
 * one before it is still being converted, is skipped and counted; the batch ends there, since the rows of one frame
 * follow each other without a hole.
 *
 * row_begin(), row_end() and row_skip() belong to the side that takes rows (an interrupt, perhaps), the rest to the
 * side that sends them, which calls them with that interrupt off.
 */
#ifndef ROW_QUEUE_H
#define ROW_QUEUE_H

#include "node.h"

struct row_queue {
    sb_batch batch[NODE_BATCHES];
    uint8_t storage[NODE_BATCHES][NODE_BATCH_ROWS * ROW_BYTES];
    uint32_t next;    /* sequence of the row that comes next */
    uint32_t skipped; /* rows, since boot */
    uint8_t filling;  /* the batch that takes rows, or will */
    uint8_t oldest;   /* the complete batch that was first */
    uint8_t closed;   /* how many are complete */
    bool open;        /* a batch takes rows */
    bool taking;      /* a row has begun and not ended */
    bool hole;        /* a row was skipped meanwhile */
};

static inline uint8_t row_after(uint8_t batch)
{
    return batch + 1 == NODE_BATCHES ? 0 : batch + 1;
}

static inline void row_close(row_queue *queue)
{
    queue->open = false;
    queue->filling = row_after(queue->filling);
    queue->closed++;
}

/* The time of a row has come: where its bytes go, or null when it is skipped. */
static inline uint8_t *row_begin(row_queue *queue, uint8_t lines, uint32_t ticks)
{
    sb_batch *batch = &queue->batch[queue->filling];
    uint32_t sequence = queue->next++;
    if (!queue->open) {
        if (queue->closed == NODE_BATCHES) {
            queue->skipped++;
            return nullptr;
        }
        /* sb_batch_begin() written out: a call from an interrupt would save every register. */
        batch->bytes = queue->storage[queue->filling];
        batch->room = sizeof queue->storage[0];
        batch->used = 0;
        batch->row_bytes = ROW_BYTES;
        batch->count = 0;
        batch->lines = lines;
        batch->sequence = sequence;
        batch->ticks = ticks;
        queue->open = true;
    }
    queue->taking = true;
    return batch->bytes + batch->used;
}

/* The bytes of the row are there. */
static inline void row_end(row_queue *queue)
{
    sb_batch *batch = &queue->batch[queue->filling];
    batch->used += ROW_BYTES;
    batch->count++;
    queue->taking = false;
    if (queue->hole || batch->count == NODE_BATCH_ROWS)
        row_close(queue);
    queue->hole = false;
}

/* The time of so many rows went by and none could be taken. */
static inline void row_skip(row_queue *queue, uint32_t rows)
{
    queue->next += rows;
    queue->skipped += rows;
    if (queue->taking)
        queue->hole = true;
    else if (queue->open)
        row_close(queue);
}

static inline const sb_batch *row_oldest(const row_queue *queue)
{
    return queue->closed ? &queue->batch[queue->oldest] : nullptr;
}

static inline void row_done(row_queue *queue)
{
    queue->oldest = row_after(queue->oldest);
    queue->closed--;
}

/* First row of the batch that will be sent next. */
static inline uint32_t row_next_sequence(const row_queue *queue)
{
    if (queue->closed)
        return queue->batch[queue->oldest].sequence;
    return queue->open ? queue->batch[queue->filling].sequence : queue->next;
}

#endif

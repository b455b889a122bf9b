/* The board at the stand: reads its channels at an even rate and sends what it read. It sends only; nothing that comes
 * in over the link changes anything.
 *
 * To use it: edit node_config.h, open this file in the Arduino IDE (the other files of the folder come along), choose
 * the board, upload. Then: standbook ports --listen PORT
 */
#include "node.h"

void setup()
{
    node_begin();
}

void loop()
{
    node_run();
}

#ifndef REEDPROOF_START_H
#define REEDPROOF_START_H

void reset(void);

/* The sampling interrupt, in port_rp2040.c. */
void sample(void);

#endif

/* Explains closures by trains on routes: which closure is which pass, which is an extra one, which
 * passes were missed. A Viterbi search over the trains' positions along their unrolled routes, and
 * beside it the sums over all explanations, from which other likely explanations are drawn.
 *
 * A train's route is a ring of stations (a magnet at a contact). A state says for each train which
 * closure was its last pass, and at which station. A closure is either a pass, which moves one
 * train on by one or more steps (the stations between were missed), or an extra one, which changes
 * nothing. All weights are natural logarithms of densities per second.
 */
#ifndef REEDPROOF_ALIGN_H
#define REEDPROOF_ALIGN_H

#include <stdint.h>

enum {
    ALIGN_TRAINS_MAX = 8,
    ALIGN_DRAWS = 200, /* explanations drawn by their likelihood */
    ALIGN_COUNTS = 3,  /* of each contact in each draw: passes, missed, extra */
};

/* What is said of a pass. */
enum {
    ALIGN_HALTED = 1, /* the train stood still on the way, or was far slower than ever */
    ALIGN_RUSHED = 2, /* far faster than ever */
    ALIGN_MOVED = 4,  /* lifted off the track and put down elsewhere */
    ALIGN_TURNED =
        8, /* stood on the last contact of a shuttle and turned there: one pass, not two */
    ALIGN_GAPPED = 16 /* some of the contacts on the way were not observed */
};

/* Tables of a train, in rows of `reach` for each station it comes from and one column for each
 * number of steps from 1 on. */
struct align_train {
    int32_t stations;
    int32_t reach;
    const int16_t *contact;  /* of each station */
    const int16_t *first_at; /* of each contact: its first station, -1 for none */
    const int16_t *next_at;  /* of each station: the next one at the same contact, -1 for none */
    const double *mean;      /* of the logarithm of the travel time */
    const double *precision; /* 1 / (2 variance) of it */
    const double *on_time;   /* passes missed, pass made, and the density's constant */
    const double *off_time;  /* the same for any time, its density being one over the time */
    const double *turned;    /* off_time with the pass before the turn left out; -inf elsewhere */
    const double *missed;    /* of each station: ln of the chance to miss a pass, and to make one */
    const double *made;
    double halted, rushed; /* to be added to off_time */
    double moved;          /* to be anywhere all of a sudden */
    double begun;          /* to be somewhere first */
    double most;           /* no step's weight is above this, less the logarithm of its time */
};

struct align_gap {
    double from_s, to_s,
        latest_to_s; /* latest end of this gap and those before; in order of from_s */
};

struct align_model {
    int32_t trains;
    int32_t contacts;
    const struct align_train *train;
    int32_t gaps;
    const struct align_gap *gap;
    const uint8_t *gap_contacts; /* [gaps][contacts]: not observed */
    double keep;      /* explanations less likely than the best by more than this are dropped */
    int32_t is_timed; /* 0: order alone counts, times are not looked at */
};

struct align_closure {
    double made_s;   /* the magnet came */
    double depart_s; /* it left, less the time that a train in motion takes */
    double pass;     /* ln of the density of its length, were it a pass */
    double extra;    /* ln of the density of an extra closure here, length and all */
    int16_t contact;
    uint8_t is_long; /* the train may have turned on the contact */
};

struct align_pass {
    int64_t before;  /* the train's last pass, -1 for none */
    int16_t train;   /* -1: an extra closure */
    int16_t station; /* where it is now */
    int16_t steps;   /* stations it came forward; 0 where that is not known */
    uint8_t flags;
};

struct align;

struct align *align_new(int32_t contacts);
void align_free(struct align *);

/* Takes closures in order of time. What is certain not to change any more is written to `passes`,
 * in order; there must be room for all closures that were fed and not yet returned. Returns how
 * many, or -1 without memory. The draws' counts, less those of the best explanation, are added to
 * `draws`, [ALIGN_DRAWS][contacts][ALIGN_COUNTS]. */
int64_t align_feed(struct align *, const struct align_model *, const struct align_closure *,
                   int64_t count, struct align_pass *passes, int32_t *draws);

/* The best explanation of what was fed and not returned, as it stands now; nothing changes but
 * `draws`. */
int64_t align_rest(struct align *, const struct align_model *, struct align_pass *passes,
                   int32_t *draws);

/* Closures that were fed and not returned. */
int64_t align_pending(const struct align *);

/* ln of the likelihood of the best explanation, and of all together. */
double align_best(const struct align *);
double align_total(const struct align *);

#endif

#include "align.h"

#include <math.h>
#include <stdbool.h>
#include <stdlib.h>
#include <string.h>

enum {
    ALIVE_MAX = 512,
    EDGES_MAX = 12,
    SETTLE_EVERY = 256, /* closures */
    PENDING_MAX = 1024  /* closures; then explanations are dropped, lest memory grow without end */
};

/* Another way to a node that is this much less likely than the best one is not drawn, nor kept. */
static const double WAY_KEEP = 16.0;
static const double SHORTEST_S = 1e-4;

/* Where a train was seen last. */
struct place {
    int64_t closure; /* -1: not seen yet */
    double depart_s;
    int32_t station;
};

struct edge {
    int32_t from; /* node */
    int16_t steps;
    uint8_t flags;
    double best, total; /* of everything up to and with this step */
};

/* A state of all trains, entered when `train` passed at `closure`. */
struct node {
    double best, total;
    int64_t closure;
    int32_t train;
    int32_t edges;
    int32_t likeliest; /* edge of the best explanation */
    struct edge edge[EDGES_MAX];
    struct place place[ALIGN_TRAINS_MAX];
};

/* Node 0 is where all explanations still meet; what came before it is settled. */
struct align {
    int32_t contacts;
    struct node *nodes;
    int32_t count, room;
    int32_t alive[ALIVE_MAX];
    int32_t alive_count;
    double least;                   /* what is below this is dropped, while one closure is taken */
    struct align_closure *closures; /* from number `first` on */
    int64_t first, fed, closures_room;
    int64_t since_settled;
    double
        *loss; /* of each node: how much less likely than the best explanation those over it are */
    int32_t *meets;
    int32_t meets_room;
    int32_t *likely, *drawn; /* [contacts][ALIGN_COUNTS] */
    uint8_t *hidden;         /* [contacts]: not observed, for one step */
    uint64_t random;
};

static double ln_sum(double a, double b) {
    double high = a > b ? a : b;
    double low = a > b ? b : a;
    return low == -INFINITY ? high : high + log1p(exp(low - high));
}

struct align *align_new(int32_t contacts) {
    struct align *self = calloc(1, sizeof *self);
    if (self == NULL)
        return NULL;
    self->contacts = contacts;
    size_t counts = (size_t)contacts * ALIGN_COUNTS;
    self->likely = calloc(counts + 1, sizeof *self->likely);
    self->drawn = calloc(counts + 1, sizeof *self->drawn);
    self->hidden = calloc((size_t)contacts + 1, 1);
    self->nodes = calloc(1024, sizeof *self->nodes);
    if (self->likely == NULL || self->drawn == NULL || self->hidden == NULL ||
        self->nodes == NULL) {
        align_free(self);
        return NULL;
    }
    self->room = 1024;
    self->count = 1;
    self->nodes[0].closure = -1;
    for (int t = 0; t < ALIGN_TRAINS_MAX; t++)
        self->nodes[0].place[t].closure = -1;
    self->alive_count = 1;
    self->random = 0x9E3779B97F4A7C15u;
    return self;
}

void align_free(struct align *self) {
    if (self == NULL)
        return;
    free(self->nodes);
    free(self->closures);
    free(self->loss);
    free(self->meets);
    free(self->likely);
    free(self->drawn);
    free(self->hidden);
    free(self);
}

int64_t align_pending(const struct align *self) {
    return self->fed - self->first;
}

double align_best(const struct align *self) {
    double best = -INFINITY;
    for (int32_t i = 0; i < self->alive_count; i++)
        best = fmax(best, self->nodes[self->alive[i]].best);
    return best;
}

double align_total(const struct align *self) {
    double total = -INFINITY;
    for (int32_t i = 0; i < self->alive_count; i++)
        total = ln_sum(total, self->nodes[self->alive[i]].total);
    return total;
}

/* ---- forward ---- */

static struct align_closure *closure_at(struct align *self, int64_t number) {
    return &self->closures[number - self->first];
}

static bool make_room(struct align *self, int64_t closures) {
    int64_t wanted = self->fed - self->first + closures;
    if (wanted > self->closures_room) {
        struct align_closure *grown = realloc(self->closures, (size_t)(2 * wanted) * sizeof *grown);
        if (grown == NULL)
            return false;
        self->closures = grown;
        self->closures_room = 2 * wanted;
    }
    return true;
}

/* Room for the nodes of one more closure: each train may be at some stations more. */
static bool make_room_for_nodes(struct align *self) {
    if (self->count + ALIVE_MAX <= self->room)
        return true;
    struct node *grown = realloc(self->nodes, (size_t)self->room * 2 * sizeof *grown);
    if (grown == NULL)
        return false;
    self->nodes = grown;
    self->room *= 2;
    return true;
}

static bool is_same_state(const struct align_model *model, const struct node *node,
                          const struct node *from, int32_t train, int32_t station) {
    if (node->train != train || node->place[train].station != station)
        return false;
    for (int32_t t = 0; t < model->trains; t++)
        if (t != train && (node->place[t].closure != from->place[t].closure ||
                           node->place[t].station != from->place[t].station))
            return false;
    return true;
}

static void add_edge(struct node *node, struct edge edge) {
    if (edge.best < node->best - WAY_KEEP)
        return;
    node->total = ln_sum(node->total, edge.total);
    int32_t at = node->edges;
    if (at < EDGES_MAX) {
        node->edges++;
    } else {
        at = 0;
        for (int32_t e = 1; e < EDGES_MAX; e++)
            if (node->edge[e].best < node->edge[at].best)
                at = e;
        if (node->edge[at].best >= edge.best)
            return;
    }
    node->edge[at] = edge;
    if (edge.best > node->best) {
        node->best = edge.best;
        node->likeliest = at;
    }
}

/* One explanation more: `train` of state `from` passes at `station` now. */
static void step_to(struct align *self, const struct align_model *model, int32_t old_count,
                    int32_t from, int32_t train, int32_t station, int32_t steps, uint8_t flags,
                    double weight) {
    const struct node *origin = &self->nodes[from];
    if (origin->best + weight < self->least)
        return;
    self->least = fmax(self->least, origin->best + weight - model->keep);
    struct edge edge = {
        .from = from,
        .steps = (int16_t)steps,
        .flags = flags,
        .best = origin->best + weight,
        .total = origin->total + weight,
    };
    for (int32_t i = old_count; i < self->count; i++) {
        if (is_same_state(model, &self->nodes[i], origin, train, station)) {
            add_edge(&self->nodes[i], edge);
            return;
        }
    }
    if (self->count - old_count == ALIVE_MAX)
        return;
    struct node *made = &self->nodes[self->count++];
    made->best = made->total = -INFINITY;
    made->closure = self->fed;
    made->train = train;
    made->edges = 0;
    made->likeliest = 0;
    memcpy(made->place, origin->place, (size_t)model->trains * sizeof made->place[0]);
    made->place[train].closure = self->fed;
    made->place[train].depart_s = closure_at(self, self->fed)->depart_s;
    made->place[train].station = station;
    add_edge(made, edge);
}

/* Marks the contacts that were not observed at some time between the two; false when there were
 * none. */
static bool find_hidden(struct align *self, const struct align_model *model, double from_s,
                        double to_s) {
    bool found = false;
    int32_t at = 0;
    for (int32_t high = model->gaps; at < high;) {
        int32_t middle = at + (high - at) / 2;
        if (model->gap[middle].from_s < to_s)
            at = middle + 1;
        else
            high = middle;
    }
    while (at > 0 && model->gap[at - 1].latest_to_s > from_s) {
        at--;
        if (model->gap[at].to_s <= from_s)
            continue;
        if (!found)
            memset(self->hidden, 0, (size_t)self->contacts);
        found = true;
        for (int32_t c = 0; c < self->contacts; c++)
            self->hidden[c] |= model->gap_contacts[(size_t)at * (size_t)self->contacts + (size_t)c];
    }
    return found;
}

static bool is_all_hidden(const struct align *self, const struct align_train *train) {
    for (int32_t s = 0; s < train->stations; s++)
        if (!self->hidden[train->contact[s]])
            return false;
    return true;
}

/* What the tables say for observed contacts also counts the passes that nobody could see. */
static double unseen(const struct align *self, const struct align_train *train, int32_t station,
                     int32_t steps) {
    double sum = 0;
    for (int32_t n = 1; n < steps; n++) {
        int32_t s = (station + n) % train->stations;
        if (self->hidden[train->contact[s]])
            sum -= train->missed[s];
    }
    return sum;
}

/* The likelihood of so many steps in this time, or that the train did not go as usual. */
static double weigh(const struct align_model *model, const struct align_train *train, int32_t cell,
                    double on_time, double off_time, double ln_time, uint8_t *flags) {
    if (!model->is_timed)
        return on_time;
    double late = ln_time - train->mean[cell];
    double usual = on_time - ln_time - late * late * train->precision[cell];
    double odd = off_time - ln_time + (late > 0 ? train->halted : train->rushed);
    if (odd <= usual)
        return usual;
    *flags |= late > 0 ? ALIGN_HALTED : ALIGN_RUSHED;
    return odd;
}

static void step_train(struct align *self, const struct align_model *model, int32_t old_count,
                       int32_t from, int32_t t) {
    const struct align_train *train = &model->train[t];
    const struct align_closure *now = closure_at(self, self->fed);
    const struct place place = self->nodes[from].place[t];
    double time_s = fmax(SHORTEST_S, now->made_s - place.depart_s);
    double ln_time = 0;
    bool has_gap = false, is_lost = false;
    if (place.closure >= 0) {
        ln_time = log(time_s);
        has_gap = model->gaps != 0 && find_hidden(self, model, place.depart_s, now->made_s);
        is_lost = has_gap && is_all_hidden(self, train);
        /* Most states are far behind, and need no closer look. */
        double most = self->nodes[from].best + train->most - ln_time + now->pass;
        if (model->is_timed && !has_gap && most < self->least)
            return;
    }
    for (int32_t s = train->first_at[now->contact]; s >= 0; s = train->next_at[s]) {
        double begun = train->begun + train->made[s] + now->pass;
        if (place.closure < 0 || is_lost) {
            step_to(self, model, old_count, from, t, s, 0, is_lost ? ALIGN_GAPPED : 0, begun);
            continue;
        }
        int32_t first = (s - place.station + train->stations - 1) % train->stations;
        for (int32_t step = first; step < train->reach; step += train->stations) {
            int32_t cell = place.station * train->reach + step;
            uint8_t flags = 0;
            double weight = weigh(model, train, cell, train->on_time[cell], train->off_time[cell],
                                  ln_time, &flags);
            if (has_gap)
                weight += unseen(self, train, place.station, step + 1);
            if (now->is_long && train->turned[cell] > -INFINITY) {
                /* As long as it takes to get to the station before, and there it turned. */
                uint8_t turned_flags = ALIGN_TURNED;
                double without = train->turned[cell] - train->off_time[cell - 1];
                double turned = weigh(model, train, cell - 1, train->on_time[cell - 1] + without,
                                      train->turned[cell], ln_time, &turned_flags);
                if (has_gap)
                    turned += unseen(self, train, place.station, step);
                if (turned > weight) {
                    weight = turned;
                    flags = turned_flags;
                }
            }
            if (has_gap)
                flags |= ALIGN_GAPPED;
            step_to(self, model, old_count, from, t, s, step + 1, flags, weight + now->pass);
        }
        if (train->moved > -INFINITY)
            step_to(self, model, old_count, from, t, s, 0, ALIGN_MOVED,
                    train->moved - ln_time + train->made[s] + now->pass);
    }
}

static void take(struct align *self, const struct align_model *model) {
    int32_t old_count = self->count;
    double extra = closure_at(self, self->fed)->extra;
    self->least = align_best(self) + extra - model->keep;
    /* The newest first: they are the likeliest, and spare looking at much of the rest. */
    for (int32_t i = self->alive_count - 1; i >= 0; i--)
        for (int32_t t = 0; t < model->trains; t++)
            step_train(self, model, old_count, self->alive[i], t);
    int32_t kept = 0;
    for (int32_t i = 0; i < self->alive_count; i++) {
        struct node *node = &self->nodes[self->alive[i]];
        node->best += extra;
        node->total += extra;
        if (node->best >= self->least)
            self->alive[kept++] = self->alive[i];
    }
    self->alive_count = kept;
    int32_t count = old_count;
    for (int32_t i = old_count; i < self->count; i++) {
        if (self->nodes[i].best < self->least || self->alive_count == ALIVE_MAX)
            continue;
        if (count != i)
            self->nodes[count] = self->nodes[i];
        self->alive[self->alive_count++] = count++;
    }
    self->count = count;
    self->fed++;
}

/* ---- backward ---- */

/* The nodes that all explanations have in common, latest first; of explanations less likely than
 * the best by more than `keep` nothing is asked. */
static int32_t find_meets(struct align *self, double keep) {
    if (self->meets_room < self->count) {
        free(self->loss);
        free(self->meets);
        self->meets_room = 0;
        self->loss = malloc((size_t)self->room * sizeof *self->loss);
        self->meets = malloc((size_t)self->room * sizeof *self->meets);
        if (self->loss == NULL || self->meets == NULL)
            return -1;
        self->meets_room = self->room;
    }
    for (int32_t i = 0; i < self->count; i++)
        self->loss[i] = INFINITY;
    double best = align_best(self);
    int32_t open = 0, found = 0;
    for (int32_t i = 0; i < self->alive_count; i++) {
        double loss = best - self->nodes[self->alive[i]].best;
        if (loss > keep)
            continue;
        self->loss[self->alive[i]] = loss;
        open++;
    }
    for (int32_t i = self->count - 1; i >= 0; i--) {
        const struct node *node = &self->nodes[i];
        if (self->loss[i] == INFINITY)
            continue;
        if (open == 1)
            self->meets[found++] = i;
        open--;
        for (int32_t e = 0; e < node->edges; e++) {
            double loss = self->loss[i] + node->edge[node->likeliest].best - node->edge[e].best;
            if (e != node->likeliest && loss > keep)
                continue;
            double *before = &self->loss[node->edge[e].from];
            open += *before == INFINITY;
            *before = fmin(*before, loss);
        }
    }
    return found;
}

/* Whether the way comes from a node that is marked by a loss of 0. Nodes of no use may come from
 * some that are gone. */
static bool is_after(const struct align *self, const struct edge *edge) {
    return edge->from >= 0 && self->loss[edge->from] == 0;
}

/* Forgets all explanations that do not go through node `through`. */
static void drop_others(struct align *self, int32_t through) {
    for (int32_t i = 0; i < self->count; i++)
        self->loss[i] = i == through ? 0 : INFINITY;
    for (int32_t i = through + 1; i < self->count; i++) {
        struct node *node = &self->nodes[i];
        if (!is_after(self, &node->edge[node->likeliest]))
            continue;
        self->loss[i] = 0;
        int32_t kept = 0;
        for (int32_t e = 0; e < node->edges; e++) {
            if (!is_after(self, &node->edge[e]))
                continue;
            if (e == node->likeliest)
                node->likeliest = kept;
            node->edge[kept++] = node->edge[e];
        }
        node->edges = kept;
    }
    int32_t kept = 0;
    for (int32_t i = 0; i < self->alive_count; i++)
        if (self->loss[self->alive[i]] == 0)
            self->alive[kept++] = self->alive[i];
    self->alive_count = kept;
}

/* Extra closures from number `from` on, but for those that were returned: all explanations agree on
 * them. */
static void count_extras(struct align *self, int64_t from, int64_t to, int32_t *counts) {
    for (int64_t i = from > self->first ? from : self->first; i < to; i++)
        counts[closure_at(self, i)->contact * ALIGN_COUNTS + 2]++;
}

static void count_step(struct align *self, const struct align_model *model, const struct node *node,
                       const struct edge *edge, int32_t *counts) {
    const struct node *from = &self->nodes[edge->from];
    const struct align_train *train = &model->train[node->train];
    count_extras(self, from->closure + 1, node->closure, counts);
    const struct align_closure *now = closure_at(self, node->closure);
    counts[now->contact * ALIGN_COUNTS]++;
    const struct place *place = &from->place[node->train];
    bool has_gap =
        edge->flags & ALIGN_GAPPED && find_hidden(self, model, place->depart_s, now->made_s);
    for (int32_t n = 1; n < edge->steps; n++) {
        int32_t contact = train->contact[(place->station + n) % train->stations];
        if ((edge->flags & ALIGN_TURNED && n == edge->steps - 1) ||
            (has_gap && self->hidden[contact]))
            continue;
        counts[contact * ALIGN_COUNTS]++;
        counts[contact * ALIGN_COUNTS + 1]++;
    }
}

static double uniform(struct align *self) {
    self->random ^= self->random << 13;
    self->random ^= self->random >> 7;
    self->random ^= self->random << 17;
    return (double)(self->random >> 11) * 0x1p-53;
}

/* The share of each edge among the explanations that come to the node. */
static void find_shares(const struct node *node, double *share) {
    double high = node->edge[node->likeliest].total, sum = 0;
    for (int32_t e = 0; e < node->edges; e++)
        sum += share[e] = exp(node->edge[e].total - high);
    for (int32_t e = 0; e < node->edges; e++)
        share[e] /= sum;
}

/* An edge by its share; with `is_other` any but the likeliest. */
static const struct edge *draw_edge(struct align *self, const struct node *node, bool is_other) {
    double share[EDGES_MAX], sum = 0;
    if (node->edges == 1)
        return &node->edge[0];
    find_shares(node, share);
    if (is_other)
        share[node->likeliest] = 0;
    for (int32_t e = 0; e < node->edges; e++)
        sum += share[e];
    double drawn = uniform(self) * sum;
    int32_t chosen = is_other && node->likeliest == 0 ? 1 : 0;
    for (int32_t e = chosen; e < node->edges && drawn >= 0; e++) {
        if (share[e] > 0)
            chosen = e;
        drawn -= share[e];
    }
    return &node->edge[chosen];
}

static void note_pass(const struct align *self, const struct node *node,
                      struct align_pass *passes) {
    const struct edge *edge = &node->edge[node->likeliest];
    passes[node->closure - self->first] = (struct align_pass){
        .before = self->nodes[edge->from].place[node->train].closure,
        .train = (int16_t)node->train,
        .station = (int16_t)node->place[node->train].station,
        .steps = edge->steps,
        .flags = edge->flags,
    };
}

static int32_t best_before(const struct align *self, int32_t node) {
    return self->nodes[node].edge[self->nodes[node].likeliest].from;
}

/* The chance that an explanation drawn from `high` to `low` is another one than the best. */
static double chance_of_another(const struct align *self, int32_t low, int32_t high) {
    double same = 1, share[EDGES_MAX];
    for (int32_t i = high; i != low; i = best_before(self, i)) {
        if (self->nodes[i].edges > 1) {
            find_shares(&self->nodes[i], share);
            same *= share[self->nodes[i].likeliest];
        }
    }
    return 1 - same;
}

static void count_best(struct align *self, const struct align_model *model, int32_t low,
                       int32_t high, int32_t *counts) {
    for (int32_t i = high; i != low; i = best_before(self, i))
        count_step(self, model, &self->nodes[i], &self->nodes[i].edge[self->nodes[i].likeliest],
                   counts);
}

/* Draws an explanation from `high` to `low`; where `another` is not 0 it is the chance that it
 * differs from the best one, and only such are drawn. */
static void count_drawn(struct align *self, const struct align_model *model, int32_t low,
                        int32_t high, double another, int32_t *counts) {
    double left = another > 0 ? uniform(self) * another : -1, same = 1, share[EDGES_MAX];
    for (int32_t i = high; i != low;) {
        const struct node *node = &self->nodes[i];
        const struct edge *edge = NULL;
        if (left < 0) {
            edge = draw_edge(self, node, false);
        } else if (node->edges > 1) {
            find_shares(node, share);
            left -= same * (1 - share[node->likeliest]);
            same *= share[node->likeliest];
            edge = left < 0 ? draw_edge(self, node, true) : NULL;
        }
        if (edge == NULL)
            edge = &node->edge[node->likeliest];
        count_step(self, model, node, edge, counts);
        i = edge->from;
    }
}

static size_t counts_size(const struct align *self) {
    return (size_t)self->contacts * ALIGN_COUNTS * sizeof *self->likely;
}

static void add_draw(const struct align *self, int32_t draw, int32_t *draws) {
    int32_t *sum = &draws[(size_t)draw * (size_t)self->contacts * ALIGN_COUNTS];
    for (int32_t i = 0; i < self->contacts * ALIGN_COUNTS; i++)
        sum[i] += self->drawn[i] - self->likely[i];
}

/* From `low` to `high`, which all explanations have in common. */
static void explain(struct align *self, const struct align_model *model, int32_t low, int32_t high,
                    struct align_pass *passes, int32_t *draws) {
    for (int32_t i = high; i != low; i = best_before(self, i))
        note_pass(self, &self->nodes[i], passes);
    double another = chance_of_another(self, low, high);
    double every = log1p(-fmin(another, 1 - 1e-12));
    memset(self->likely, 0, counts_size(self));
    bool is_counted = false;
    /* From one draw that differs to the next one; most stretches have none. */
    for (double draw = floor(log(uniform(self)) / every); draw < ALIGN_DRAWS;
         draw += 1 + floor(log(uniform(self)) / every)) {
        if (!is_counted)
            count_best(self, model, low, high, self->likely);
        is_counted = true;
        memset(self->drawn, 0, counts_size(self));
        count_drawn(self, model, low, high, another, self->drawn);
        add_draw(self, (int32_t)draw, draws);
    }
}

/* All up to where all explanations meet last; where there is but one, also what came after. That
 * may have been handed out already, beyond where they meet now. */
static int64_t explain_common(struct align *self, const struct align_model *model, int32_t found,
                              struct align_pass *passes, int32_t *draws) {
    int64_t count = self->alive_count == 1 ? align_pending(self)
                                           : self->nodes[self->meets[0]].closure + 1 - self->first;
    if (count < 0)
        count = 0;
    for (int64_t i = 0; i < count; i++)
        passes[i] = (struct align_pass){.before = -1, .train = -1};
    for (int32_t i = 0; i + 1 < found; i++)
        explain(self, model, self->meets[i + 1], self->meets[i], passes, draws);
    return count;
}

static int32_t draw_alive(struct align *self) {
    double high = align_best(self), sum = 0;
    for (int32_t i = 0; i < self->alive_count; i++)
        sum += exp(self->nodes[self->alive[i]].total - high);
    double drawn = uniform(self) * sum;
    int32_t i = 0;
    for (; i < self->alive_count - 1; i++) {
        double share = exp(self->nodes[self->alive[i]].total - high);
        if (drawn < share)
            break;
        drawn -= share;
    }
    return self->alive[i];
}

static int32_t best_alive(const struct align *self) {
    int32_t best = self->alive[0];
    for (int32_t i = 1; i < self->alive_count; i++)
        if (self->nodes[self->alive[i]].best > self->nodes[best].best)
            best = self->alive[i];
    return best;
}

/* Where a pass can be skipped at little cost, explanations never meet: each has its own way around
 * each closure. Then the one is taken that the likelier ones have in common, far enough back. */
static int32_t force_meet(struct align *self, double keep) {
    int64_t latest = self->fed - PENDING_MAX / 2;
    for (double less = keep / 2; less > 0.01; less /= 2) {
        int32_t found = find_meets(self, less);
        for (int32_t i = 0; i < found; i++)
            if (self->meets[i] > 0 && self->nodes[self->meets[i]].closure < latest)
                return self->meets[i];
    }
    int32_t node = best_alive(self);
    if (self->nodes[node].closure < latest) { /* nothing but extra closures since */
        self->alive[0] = node;
        self->alive_count = 1;
        return node;
    }
    while (self->nodes[node].closure >= latest && best_before(self, node) > 0)
        node = best_before(self, node);
    return node;
}

/* Hands out what all explanations agree on the end of, and forgets it. */
static int64_t settle(struct align *self, const struct align_model *model,
                      struct align_pass *passes, int32_t *draws) {
    self->since_settled = 0;
    int32_t found = find_meets(self, INFINITY);
    if (found < 0)
        return -1;
    if (align_pending(self) >= PENDING_MAX && self->alive_count > 1) {
        drop_others(self, force_meet(self, model->keep));
        found = find_meets(self, INFINITY);
    }
    int64_t count = explain_common(self, model, found, passes, draws);

    int32_t root = self->meets[0];
    self->nodes[root].edges = 0;
    self->count -= root;
    memmove(self->nodes, self->nodes + root, (size_t)self->count * sizeof *self->nodes);
    for (int32_t i = 1; i < self->count; i++)
        for (int32_t e = 0; e < self->nodes[i].edges; e++)
            self->nodes[i].edge[e].from -= root;
    for (int32_t i = 0; i < self->alive_count; i++)
        self->alive[i] -= root;
    memmove(self->closures, self->closures + count,
            (size_t)(align_pending(self) - count) * sizeof *self->closures);
    self->first += count;
    return count;
}

int64_t align_feed(struct align *self, const struct align_model *model,
                   const struct align_closure *closures, int64_t count, struct align_pass *passes,
                   int32_t *draws) {
    int64_t done = 0;
    for (int64_t i = 0; i < count; i++) {
        if (!make_room(self, 1) || !make_room_for_nodes(self))
            return -1;
        self->closures[self->fed - self->first] = closures[i];
        take(self, model);
        if (++self->since_settled >= SETTLE_EVERY) {
            int64_t settled = settle(self, model, passes + done, draws);
            if (settled < 0)
                return -1;
            done += settled;
        }
    }
    return done;
}

int64_t align_rest(struct align *self, const struct align_model *model, struct align_pass *passes,
                   int32_t *draws) {
    uint64_t random = self->random;
    int32_t found = find_meets(self, INFINITY);
    if (found < 0)
        return -1;
    int64_t common = explain_common(self, model, found, passes, draws);
    for (int64_t i = common; i < align_pending(self); i++)
        passes[i] = (struct align_pass){.before = -1, .train = -1};
    int32_t low = self->meets[0], high = best_alive(self);
    for (int32_t i = high; i != low; i = best_before(self, i))
        note_pass(self, &self->nodes[i], passes);
    memset(self->likely, 0, counts_size(self));
    count_best(self, model, low, high, self->likely);
    count_extras(self, self->nodes[high].closure + 1, self->fed, self->likely);
    for (int32_t draw = 0; draw < ALIGN_DRAWS; draw++) {
        memset(self->drawn, 0, counts_size(self));
        high = draw_alive(self);
        count_drawn(self, model, low, high, 0, self->drawn);
        count_extras(self, self->nodes[high].closure + 1, self->fed, self->drawn);
        add_draw(self, draw, draws);
    }
    self->random = random; /* a look does not change what is drawn later */
    return align_pending(self);
}

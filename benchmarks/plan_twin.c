/* One candidate planned in full, as kinematics/planner does it: same formulas, same outputs, float64, no -ffast-math.
 *
 * Three ways through a job. FULL: each pass over all moves. BLOCKS: one pass from the end and one from the start, in
 * blocks that stay in the fast caches. CUTS: one pass over all moves; a block ends at the last node that its own ceiling
 * holds, and within a block the moves of its commonest class go first, so that their limits stay in registers. The
 * benchmark keeps the fastest; FULL and BLOCKS are what one writes at once, CUTS is the kernel's own way.
 */
#include <math.h>
#include <stdint.h>
#include <stdlib.h>
#include <string.h>

enum { SPEED_SHARE, SPEED_REPLACED, CAP, X_MOST, Y_MOST, Z_MOST, FILAMENT_MOST, PATH_RAMP, X_RAMP, Y_RAMP, Z_RAMP,
       FILAMENT_RAMP, DEVIATION, X_STEP, Y_STEP, Z_STEP, FILAMENT_STEP, X_KICK, Y_KICK, X_SWING, Y_SWING,
       X_SWING_ADDED, Y_SWING_ADDED, MOTOR_1_MOST, MOTOR_2_MOST, MOTOR_3_MOST, MOTOR_1_RAMP, MOTOR_2_RAMP,
       MOTOR_3_RAMP, ROUNDING, ROUNDING_RAMP, MOVE_RATE, BYTE_RATE, LIMITS };
enum { COMMANDED_SPEED, SPEED_CAP, X_SPEED, Y_SPEED, Z_SPEED, FILAMENT_SPEED, MOTOR_1_SPEED, MOTOR_2_SPEED,
       MOTOR_3_SPEED, MOTOR_1_STEADY, MOTOR_2_STEADY, MOTOR_3_STEADY, MOVE_RATE_SPEED, BYTE_RATE_SPEED, DRIVE_1,
       DRIVE_2, DRIVE_3, DRIVE_4, ADVANCE, CORNER, PATH_ACCELERATION, X_ACCELERATION, Y_ACCELERATION, Z_ACCELERATION,
       FILAMENT_ACCELERATION, ROUNDING_ACCELERATION, MOTOR_1_ACCELERATION, MOTOR_2_ACCELERATION, MOTOR_3_ACCELERATION, CAUSES };
enum { FULL, BLOCKS, CUTS };

#define BLOCK 1024
#define LANES 4
#define BELOW_CEILING (1.0 - 1e-12)

typedef const double *restrict In;
typedef double *restrict Out;

/* kinematics.planner.features.Features, field by field; those of motors and pieces, empty here, are left out */
typedef struct {
    In length, x, y, z, ratio, pace;
    const uint16_t *restrict move_class;
    const uint8_t *restrict rest;
    In sharpness, curvature, corner_x, corner_y, corner_z, change, ratio_change;
} Features;

/* kinematics.planner.plan.Plan; speed has n + 1 entries, the speeds at the nodes */
typedef struct {
    Out speed, peak, acceleration, rising, cruising, falling, duration;
    uint8_t *restrict cruise_cause, *restrict ramp_cause;
    Out seconds;
} Plan;

static inline double larger(double a, double b) { return a > b ? a : b; }
static inline double smaller(double a, double b) { return a < b ? a : b; }

#define RAISE(VALUE, CAUSE, WITH, NAME) \
    do { double other = (WITH); CAUSE = other > VALUE ? NAME : CAUSE; VALUE = larger(VALUE, other); } while (0)

static inline __attribute__((always_inline)) void
one_move(double x, double y, double z, double ratio, double commanded, In row,
         double *pace, double *slow, uint8_t *cruise_cause, uint8_t *ramp_cause)
{
    double p = commanded * row[SPEED_SHARE] + row[SPEED_REPLACED], s = row[PATH_RAMP];
    int c = COMMANDED_SPEED, r = PATH_ACCELERATION;
    RAISE(p, c, row[CAP], SPEED_CAP);
    RAISE(p, c, x * row[X_MOST], X_SPEED);
    RAISE(p, c, y * row[Y_MOST], Y_SPEED);
    RAISE(p, c, z * row[Z_MOST], Z_SPEED);
    RAISE(p, c, ratio * row[FILAMENT_MOST], FILAMENT_SPEED);
    RAISE(s, r, x * row[X_RAMP], X_ACCELERATION);
    RAISE(s, r, y * row[Y_RAMP], Y_ACCELERATION);
    RAISE(s, r, z * row[Z_RAMP], Z_ACCELERATION);
    RAISE(s, r, ratio * row[FILAMENT_RAMP], FILAMENT_ACCELERATION);
    *pace = p, *slow = s, *cruise_cause = (uint8_t)c, *ramp_cause = (uint8_t)r;
}

/* Inverse ceilings of moves (s/mm, s²/mm) from begin to end, and what set them. */
static void move_ceilings(const Features *f, In inverse, int64_t begin, int64_t end, int common, Out paces, Out sluggish,
                          uint8_t *restrict cruise_cause, uint8_t *restrict ramp_cause)
{
    const int64_t n = end - begin;
    In x = f->x + begin, y = f->y + begin, z = f->z + begin, ratio = f->ratio + begin, pace = f->pace + begin;
    const uint16_t *restrict of_move = f->move_class + begin;
    cruise_cause += begin, ramp_cause += begin;
    if (common < 0) {
        for (int64_t i = 0; i < n; i++)
            one_move(x[i], y[i], z[i], ratio[i], pace[i], inverse + of_move[i] * LIMITS, paces + i, sluggish + i,
                     cruise_cause + i, ramp_cause + i);
        return;
    }
    double row[LIMITS];
    memcpy(row, inverse + common * LIMITS, sizeof row);
#pragma GCC ivdep /* the byte arrays could lie anywhere: without it gcc goes move by move */
    for (int64_t i = 0; i < n; i++)
        one_move(x[i], y[i], z[i], ratio[i], pace[i], row, paces + i, sluggish + i, cruise_cause + i, ramp_cause + i);
    for (int64_t i = 0; i < n; i++)
        if (of_move[i] != common)
            one_move(x[i], y[i], z[i], ratio[i], pace[i], inverse + of_move[i] * LIMITS, paces + i, sluggish + i,
                     cruise_cause + i, ramp_cause + i);
}

static inline __attribute__((always_inline)) double
one_corner(double x, double y, double z, double sharpness, double curvature, double pace, double slow, In row)
{
    slow = larger(slow, x * row[X_RAMP]);
    slow = larger(slow, y * row[Y_RAMP]);
    slow = larger(slow, z * row[Z_RAMP]);
    return larger(pace * pace, slow * larger(sharpness * row[DEVIATION], curvature));
}

/* Inverse squared ceilings (s²/mm²) of the nodes between begin and end, index 0 for begin. */
static void corner_ceilings(const Features *f, In inverse, int64_t begin, int64_t end, int common, In paces, In sluggish,
                            Out nodes)
{
    const int64_t n = end - begin;
    In x = f->corner_x + begin, y = f->corner_y + begin, z = f->corner_z + begin;
    In sharpness = f->sharpness + begin, curvature = f->curvature + begin;
    const uint16_t *restrict of_move = f->move_class + begin;
    if (common < 0) {
        for (int64_t i = 1; i < n; i++)
            nodes[i] = one_corner(x[i], y[i], z[i], sharpness[i], curvature[i], larger(paces[i - 1], paces[i]),
                                  larger(sluggish[i - 1], sluggish[i]), inverse + of_move[i] * LIMITS);
        return;
    }
    double row[LIMITS];
    memcpy(row, inverse + common * LIMITS, sizeof row);
    for (int64_t i = 1; i < n; i++)
        nodes[i] = one_corner(x[i], y[i], z[i], sharpness[i], curvature[i], larger(paces[i - 1], paces[i]),
                              larger(sluggish[i - 1], sluggish[i]), row);
    for (int64_t i = 1; i < n; i++)
        if (of_move[i] != common)
            nodes[i] = one_corner(x[i], y[i], z[i], sharpness[i], curvature[i], larger(paces[i - 1], paces[i]),
                                  larger(sluggish[i - 1], sluggish[i]), inverse + of_move[i] * LIMITS);
}

/* Steps of speed, where a machine has any. */
static void speed_steps(const Features *f, In inverse, int64_t begin, int64_t end, Out nodes)
{
    for (int64_t i = begin + 1; i < end; i++) {
        In row = inverse + f->move_class[i] * LIMITS;
        double pace = larger(f->corner_x[i] * row[X_STEP], f->corner_y[i] * row[Y_STEP]);
        pace = larger(pace, f->corner_z[i] * row[Z_STEP]) * f->change[i];
        pace = larger(pace, f->ratio_change[i] * row[FILAMENT_STEP]);
        nodes[i - begin] = larger(nodes[i - begin], pace * pace);
    }
}

/* a and 2 a L of the moves, and squared ceilings of the nodes (mm²/s²), index 0 for begin. */
static void squares_of(const Features *f, int64_t begin, int64_t end, In sluggish, Out gains, Out nodes,
                       Out acceleration)
{
    In length = f->length + begin;
    const uint8_t *restrict rest = f->rest + begin;
#pragma GCC ivdep
    for (int64_t i = 0; i < end - begin; i++) {
        acceleration[i] = 1.0 / sluggish[i];
        gains[i] = 2.0 * length[i] * acceleration[i];
        nodes[i] = rest[i] ? 0.0 : 1.0 / nodes[i];
    }
}

static double backward(int64_t n, In gains, Out nodes)
{
    double reached = nodes[n];
    for (int64_t i = n - 1; i > 0; i--)
        nodes[i] = reached = smaller(nodes[i], reached + gains[i]);
    return reached;
}

static double forward(int64_t n, In gains, double square, Out nodes)
{
    nodes[0] = square;
    for (int64_t i = 0; i < n; i++)
        nodes[i + 1] = square = smaller(nodes[i + 1], square + gains[i]);
    return square;
}

/* The same four moves at a time: one addition and one minimum in four moves wait for the speed before them. */
static void backward_by_fours(int64_t n, In gains, Out nodes)
{
    double reached = nodes[n];
    int64_t i = n - 4;
    for (; i > 0; i -= 4) {
        double a = nodes[i], b = nodes[i + 1], c = nodes[i + 2], d = nodes[i + 3];
        double ga = gains[i], gb = gains[i + 1], gc = gains[i + 2], gd = gains[i + 3];
        c = smaller(c, d + gc), gc += gd;
        b = smaller(b, c + gb), gb += gc;
        a = smaller(a, b + ga), ga += gb;
        nodes[i + 3] = smaller(d, reached + gd);
        nodes[i + 2] = smaller(c, reached + gc);
        nodes[i + 1] = smaller(b, reached + gb);
        nodes[i] = reached = smaller(a, reached + ga);
    }
    for (i += 3; i > 0; i--)
        nodes[i] = reached = smaller(nodes[i], reached + gains[i]);
}

static double forward_by_fours(int64_t n, In gains, double square, Out nodes)
{
    nodes[0] = square;
    int64_t i = 0;
    for (; i + 4 <= n; i += 4) {
        double a = nodes[i + 1], b = nodes[i + 2], c = nodes[i + 3], d = nodes[i + 4];
        double ga = gains[i], gb = gains[i + 1], gc = gains[i + 2], gd = gains[i + 3];
        b = smaller(b, a + gb), gb += ga;
        c = smaller(c, b + gc), gc += gb;
        d = smaller(d, c + gd), gd += gc;
        nodes[i + 1] = smaller(a, square + ga);
        nodes[i + 2] = smaller(b, square + gb);
        nodes[i + 3] = smaller(c, square + gc);
        nodes[i + 4] = square = smaller(d, square + gd);
    }
    for (; i < n; i++)
        nodes[i + 1] = square = smaller(nodes[i + 1], square + gains[i]);
    return square;
}

/* Peak speeds, parts of the durations; paces and the like have index 0 for begin. */
static void durations(const Features *f, int64_t begin, int64_t end, In paces, In sluggish, In gains, In squares,
                      const Plan *plan)
{
    const int64_t n = end - begin;
    In length = f->length + begin;
    Out speed = plan->speed + begin, peak = plan->peak + begin;
    Out rising = plan->rising + begin, cruising = plan->cruising + begin, falling = plan->falling + begin;
    Out duration = plan->duration + begin;
    uint8_t *restrict cruise_cause = plan->cruise_cause + begin;
    for (int64_t i = 0; i <= n; i++)
        speed[i] = sqrt(squares[i]);
#pragma GCC ivdep
    for (int64_t i = 0; i < n; i++) {
        double v0 = squares[i], v1 = squares[i + 1], slow = sluggish[i], ceiling = 1.0 / (paces[i] * paces[i]);
        double top = smaller(ceiling, 0.5 * (gains[i] + (v0 + v1)));
        top = larger(top, larger(v0, v1));
        double fastest = sqrt(top);
        double rise = (fastest - speed[i]) * slow, fall = (fastest - speed[i + 1]) * slow;
        double cruise = larger(0.0, length[i] - (top + top - v0 - v1) * 0.5 * slow) / fastest;
        peak[i] = fastest;
        rising[i] = rise;
        cruising[i] = cruise;
        falling[i] = fall;
        duration[i] = rise + cruise + fall;
        cruise_cause[i] = top < ceiling * BELOW_CEILING ? CORNER : cruise_cause[i];
    }
}

static void add_seconds(const Features *f, int64_t begin, int64_t end, const Plan *plan, int64_t classes, Out lanes)
{
    for (int64_t i = begin; i < end; i++) {
        double *row = lanes + ((i & (LANES - 1)) * classes + f->move_class[i]) * CAUSES;
        row[plan->cruise_cause[i]] += plan->cruising[i];
        row[plan->ramp_cause[i]] += plan->rising[i] + plan->falling[i];
    }
}

static int commonest(const uint16_t *move_class, int64_t begin, int64_t end)
{
    int chosen = move_class[begin], votes = 0;
    for (int64_t i = begin; i < end; i += 64) {
        if (votes == 0)
            chosen = move_class[i];
        votes += move_class[i] == chosen ? 1 : -1;
    }
    return chosen;
}

static int64_t last_held(int64_t n, In gains, In nodes)
{
    double reached = 0.0;
    for (int64_t i = n - 1; i > 0; i--) {
        reached += gains[i];
        if (nodes[i] <= reached)
            return i;
    }
    return 0;
}

typedef struct { double *paces, *sluggish, *gains, *nodes; } Scratch;

static Scratch scratch_for(int64_t n)
{
    double *room = malloc(sizeof(double) * (size_t)(4 * n + 4));
    return (Scratch){room, room + n + 1, room + 2 * n + 2, room + 3 * n + 3};
}

static void node_ceilings(const Features *f, In inverse, int steps, int64_t begin, int64_t end, int common, Scratch s,
                          const Plan *plan)
{
    move_ceilings(f, inverse, begin, end, common, s.paces, s.sluggish, plan->cruise_cause, plan->ramp_cause);
    corner_ceilings(f, inverse, begin, end, common, s.paces, s.sluggish, s.nodes);
    if (steps)
        speed_steps(f, inverse, begin, end, s.nodes);
    squares_of(f, begin, end, s.sluggish, s.gains, s.nodes, plan->acceleration + begin);
    s.nodes[end - begin] = 0.0;
}

static void full(const Features *f, In inverse, int steps, int64_t n, const Plan *plan, int64_t classes, Out lanes)
{
    Scratch s = scratch_for(n);
    node_ceilings(f, inverse, steps, 0, n, -1, s, plan);
    backward(n, s.gains, s.nodes);
    forward(n, s.gains, 0.0, s.nodes);
    durations(f, 0, n, s.paces, s.sluggish, s.gains, s.nodes, plan);
    add_seconds(f, 0, n, plan, classes, lanes);
    free(s.paces);
}

/* Two passes in blocks: what the second needs of the first lies in four arrays of the length of the job. */
static void blocks(const Features *f, In inverse, int steps, int64_t n, const Plan *plan, int64_t classes, Out lanes)
{
    Scratch s = scratch_for(n);
    double reached = 0.0;
    for (int64_t begin = (n - 1) / BLOCK * BLOCK; begin >= 0; begin -= BLOCK) {
        int64_t end = begin + BLOCK < n ? begin + BLOCK : n;
        /* one move more than the block, for the corner at its end */
        Scratch at = {s.paces + begin, s.sluggish + begin, s.gains + begin, s.nodes + begin};
        int64_t first = begin > 0 ? begin - 1 : 0;
        Scratch wide = {s.paces + first, s.sluggish + first, s.gains + first, s.nodes + first};
        double kept = s.nodes[first];
        node_ceilings(f, inverse, steps, first, end, -1, wide, plan);
        s.nodes[end] = reached;
        if (begin > 0)
            s.nodes[first] = kept;
        reached = backward(end - begin, at.gains, at.nodes);
        if (begin > 0)
            s.nodes[begin] = reached = smaller(s.nodes[begin], reached + s.gains[begin]);
    }
    double square = 0.0;
    for (int64_t begin = 0; begin < n; begin += BLOCK) {
        int64_t end = begin + BLOCK < n ? begin + BLOCK : n;
        square = forward(end - begin, s.gains + begin, square, s.nodes + begin);
        durations(f, begin, end, s.paces + begin, s.sluggish + begin, s.gains + begin, s.nodes + begin, plan);
        add_seconds(f, begin, end, plan, classes, lanes);
    }
    free(s.paces);
}

static void cuts(const Features *f, In inverse, int steps, int64_t n, const Plan *plan, int64_t classes, Out lanes)
{
    int64_t size = BLOCK;
    Scratch s = scratch_for(size);
    double square = 0.0;
    for (int64_t begin = 0; begin < n;) {
        int64_t end = begin + size < n ? begin + size : n;
        node_ceilings(f, inverse, steps, begin, end, commonest(f->move_class, begin, end), s, plan);
        if (end < n) {
            int64_t held = last_held(end - begin, s.gains, s.nodes);
            if (2 * held < size) {
                size *= 2;
                free(s.paces);
                s = scratch_for(size);
                continue;
            }
            end = begin + held;
        }
        backward_by_fours(end - begin, s.gains, s.nodes);
        square = forward_by_fours(end - begin, s.gains, square, s.nodes);
        durations(f, begin, end, s.paces, s.sluggish, s.gains, s.nodes, plan);
        add_seconds(f, begin, end, plan, classes, lanes);
        begin = end;
    }
    free(s.paces);
}

void plan_moves(int way, const Features *features, const double *inverse, int steps, int64_t n, int64_t classes,
                const Plan *plan)
{
    const int64_t cells = classes * CAUSES;
    double *lanes = calloc((size_t)(LANES * cells), sizeof(double));
    (way == FULL ? full : way == BLOCKS ? blocks : cuts)(features, inverse, steps, n, plan, classes, lanes);
    for (int64_t i = 0; i < cells; i++)
        plan->seconds[i] = (lanes[i] + lanes[cells + i]) + (lanes[2 * cells + i] + lanes[3 * cells + i]);
    free(lanes);
}

/* The batch of `kinematics.planner.batch` in C: the same formulas, one move at a time, candidates in lanes of 8 that
   gcc vectorises; constant caps, no motors, no steps, all moves seen. Addresses as Python hands them over. */

#include <math.h>
#include <string.h>

#define LANES 8
#define EACH for (int l = 0; l < LANES; l++)
#define LEAST(a, b) ((a) < (b) ? (a) : (b))
#define MOST(a, b) ((a) > (b) ? (a) : (b))

typedef double Row[LANES];

enum { SHARE, REPLACED, CAP, X_MOST, Y_MOST, Z_MOST, E_MOST, PATH, X_RAMP, Y_RAMP, Z_RAMP, E_RAMP, DEVIATION };

typedef struct {
  const double *double_length, *speed, *x, *y, *z, *ratio;
  const unsigned short *move_class;
  const unsigned char *rest;
  const double *sharpness, *radius, *corner_x, *corner_y, *corner_z;
} Features;

/* Time n moves for eight candidates; table rows classes * columns; scratch of `size` (+ 1 nodes) rows.
   Returns 0, or 1 where a block has no node that could end it. */
int batch(const Features *f, long n, const Row *table, int columns, long size, Row *gains, Row *nodes, Row *ramps,
          Row *tops, double *total) {
  Row square, v_before, a_before, v, a;
  EACH square[l] = total[l] = 0.0;
  for (long begin = 0; begin < n;) {
    long end = begin + size < n ? begin + size : n, m = end - begin;
    EACH v_before[l] = a_before[l] = 1e150;
    for (long k = 0; k < m; k++) {
      long i = begin + k;
      const Row *t = table + (long)f->move_class[i] * columns;
      double speed = f->speed[i], x = f->x[i], y = f->y[i], z = f->z[i], e = f->ratio[i], two = f->double_length[i];
      EACH {
        double p = LEAST(t[SHARE][l] * speed, t[REPLACED][l]), q = LEAST(t[PATH][l], t[X_RAMP][l] * x);
        p = LEAST(p, t[CAP][l]);
        p = LEAST(p, t[X_MOST][l] * x);
        p = LEAST(p, t[Y_MOST][l] * y);
        p = LEAST(p, t[Z_MOST][l] * z);
        p = LEAST(p, t[E_MOST][l] * e);
        q = LEAST(q, t[Y_RAMP][l] * y);
        q = LEAST(q, t[Z_RAMP][l] * z);
        a[l] = LEAST(q, t[E_RAMP][l] * e);
        v[l] = p * p;
      }
      if (f->rest[i]) {
        EACH nodes[k][l] = 0.0;
      } else {
        double sharp = f->sharpness[i], radius = f->radius[i];
        double cx = f->corner_x[i], cy = f->corner_y[i], cz = f->corner_z[i];
        EACH {
          double bend = LEAST(t[DEVIATION][l] * sharp, radius), c = LEAST(a[l], a_before[l]);
          c = LEAST(c, t[X_RAMP][l] * cx);
          c = LEAST(c, t[Y_RAMP][l] * cy);
          c = LEAST(c, t[Z_RAMP][l] * cz);
          nodes[k][l] = LEAST(c * bend, LEAST(v[l], v_before[l]));
        }
      }
      EACH {
        gains[k][l] = a[l] * two;
        ramps[k][l] = a[l];
        tops[k][l] = v[l];
        v_before[l] = v[l];
        a_before[l] = a[l];
      }
    }
    EACH nodes[m][l] = 0.0;
    if (end < n) {
      Row reach = {0.0};
      for (m = end - begin - 1; m > 0; m--) {
        int held = 1;
        EACH {
          double sum = reach[l] + gains[m][l];
          held &= nodes[m][l] <= sum;
          reach[l] = LEAST(nodes[m][l], sum);
        }
        if (held) break;
      }
      if (m == 0) return 1;
      end = begin + m;
    }
    Row reached;
    memcpy(reached, nodes[m], sizeof(Row));
    for (long k = m - 1; k > 0; k--) EACH nodes[k][l] = reached[l] = LEAST(nodes[k][l], reached[l] + gains[k][l]);
    Row speed_in;
    EACH speed_in[l] = sqrt(square[l]);
    for (long k = 0; k < m; k++) EACH {
        double gain = gains[k][l], after = LEAST(nodes[k + 1][l], square[l] + gain), out = sqrt(after);
        double top = LEAST(tops[k][l], (gain + (square[l] + after)) * 0.5);
        top = MOST(top, MOST(square[l], after));
        double speed = sqrt(top), rise = speed - speed_in[l], fall = speed - out;
        total[l] += (gain + (rise * rise + fall * fall)) / (speed * ramps[k][l] * 2.0);
        square[l] = after;
        speed_in[l] = out;
      }
    begin = end;
  }
  return 0;
}

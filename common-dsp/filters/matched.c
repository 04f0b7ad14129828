/* SPDX-License-Identifier: ISC */
#include "filters/matched.h"

#include <math.h>

#define PI 3.14159265358979323846

/*
   The correction. |s^2 + 2 q w s + w^2|^2 on the imaginary axis, over the square of its matched pair, is a
   smooth ratio R of x = cos(omega). Times a weight k(x) that is the same for every quadratic, R is close to a
   parabola; and as a prototype is a quotient, the weight need never be built: it cancels. So the correction
   of a quadratic is the parabola through k R at three fixed nodes, and k matters at the nodes only. The nodes
   are DC, about 0.328 and 0.4535 of the rate (20 kHz at 44.1 kHz). Middle node and weights come from
   minimising the largest error over bells (40 Hz to 16 kHz, Q 0.3 to 8, 6 and 15 dB), shelves (to 20 kHz) and
   low cuts (to 4 kHz) at 44.1 kHz: 0.044 dB.
*/
typedef struct {
   double omega;
   double x; /* cos(omega) */
   double weight;
} Node;

static const Node node_1 = {2.058, -0.46815676035699877, 0.1075};
static const Node node_2 = {2.8494, -0.9576145783543366, 0.01203};

/* A correction that changes the power at the nodes by less than the first is left out, so that low bands cost
   one section; up to the second it comes in without a step. 0.0063 and 0.013 dB. */
#define CORRECTION_FROM 0.00145
#define CORRECTION_FULL 0.003

/* Keeps the zeros of a correction inside the unit circle whatever the nodes say. */
#define CORRECTION_NYQUIST_MIN 1e-4

/* A monic quadratic in z, as a polynomial about z = 1, where low corners need the digits; and its k R. */
typedef struct {
   double slope;    /* 2 + a1 */
   double value;    /* 1 + a1 + a2 */
   double gain;     /* square root of R at DC */
   double ratio[2]; /* k R at the nodes, over R at DC */
} Quadratic;

/* 1 + a1/z + a2/z^2 with its zeros inside the unit circle, over its first coefficient before normalising. */
typedef struct {
   double slope;
   double value;
   double first;
} Correction;

static double prototype_power(double omega_0, double q, double omega)
{
   const double real = omega * omega - omega_0 * omega_0;
   const double imaginary = 2.0 * q * omega_0 * omega;
   return real * real + imaginary * imaginary;
}

/* |1 + a1/z + a2/z^2|^2 at cos(omega) = x */
static double pair_power(const Quadratic* pair, double x)
{
   const double at_nyquist = 4.0 - 2.0 * pair->slope + pair->value;
   const double a2 = 1.0 - pair->slope + pair->value;
   return 0.5 * (1.0 + x) * pair->value * pair->value + 0.5 * (1.0 - x) * at_nyquist * at_nyquist -
          4.0 * a2 * (1.0 - x * x);
}

static double weighted_ratio(const Quadratic* pair, double omega_0, double q, const Node* node)
{
   return node->weight * prototype_power(omega_0, q, node->omega) /
          (pair_power(pair, node->x) * pair->gain * pair->gain);
}

/* s^2 + 2 q omega_0 s + omega_0^2 */
static Quadratic match(double omega_0, double q)
{
   Quadratic out;
   if (q < 1.0) {
      double decay = q * omega_0;
      double angle = omega_0 * sqrt(1.0 - q * q);
      if (angle > PI) { /* a pair beyond Nyquist is felt as one at Nyquist, the weaker the farther */
         decay += angle - PI;
         angle = PI;
      }
      const double radius_1 = expm1(-decay); /* radius - 1 */
      const double half = sin(0.5 * angle);
      const double turned = 4.0 * (1.0 + radius_1) * half * half;
      out.slope = turned - 2.0 * radius_1;
      out.value = turned + radius_1 * radius_1;
   } else {
      const double wide = q + sqrt(q * q - 1.0);
      const double fast_1 = expm1(-omega_0 * wide);
      const double slow_1 = expm1(-omega_0 / wide);
      out.slope = -fast_1 - slow_1;
      out.value = fast_1 * slow_1;
   }
   out.gain = omega_0 * omega_0 / out.value;
   out.ratio[0] = weighted_ratio(&out, omega_0, q, &node_1);
   out.ratio[1] = weighted_ratio(&out, omega_0, q, &node_2);
   return out;
}

/* s^2, both zeros at z = 1 */
static Quadratic match_zeros_at_dc(void)
{
   Quadratic out = {.gain = 1.0};
   out.ratio[0] = weighted_ratio(&out, 0.0, 0.0, &node_1);
   out.ratio[1] = weighted_ratio(&out, 0.0, 0.0, &node_2);
   return out;
}

/* Spectral factor of the parabola in x through 1 at DC and `ratio` at the nodes, which `share` < 1 flattens.
 */
static Correction factor(const Quadratic* of, double share)
{
   const double at_1 = share * (of->ratio[0] - 1.0);
   const double at_2 = share * (of->ratio[1] - 1.0);
   const double first = at_1 / (node_1.x - 1.0);
   const double second = ((at_2 - at_1) / (node_2.x - node_1.x) - first) / (node_2.x - 1.0);
   const double nyquist =
      sqrt(fmax(1.0 - 2.0 * first + 2.0 * second * (1.0 + node_1.x), CORRECTION_NYQUIST_MIN));
   const double half_sum = 0.5 * (1.0 + nyquist);
   const double c0 = 0.5 * (half_sum + sqrt(fmax(half_sum * half_sum - second, 1e-6)));
   const double c1 = 0.5 * (1.0 - nyquist);
   return (Correction){.slope = 2.0 + c1 / c0, .value = 1.0 / c0, .first = c0};
}

static double excess(double a, double b)
{
   return fmax(a / b, b / a) - 1.0;
}

/* How much of the correction of zeros over poles is worth running: 0 none, 1 all. */
static double correction_share(const Quadratic* zeros, const Quadratic* poles)
{
   const double change =
      fmax(excess(zeros->ratio[0], poles->ratio[0]), excess(zeros->ratio[1], poles->ratio[1]));
   if (change <= CORRECTION_FROM) {
      return 0.0;
   }
   if (change >= CORRECTION_FULL) {
      return 1.0;
   }
   const double t = (change - CORRECTION_FROM) / (CORRECTION_FULL - CORRECTION_FROM);
   return t * t * (3.0 - 2.0 * t);
}

typedef struct {
   double slope;
   double value;
} Polynomial;

static BmSection section(Polynomial zeros, Polynomial poles, double direct)
{
   const double slope = zeros.slope - poles.slope;
   const double value = zeros.value - poles.value;
   BmSection out;
   out.keep = 1.0 - poles.slope + 0.5 * poles.value;
   out.turn = 0.5 * sqrt(poles.value * (4.0 - 2.0 * poles.slope + poles.value));
   out.step = 0.5 * poles.value;
   out.direct = direct;
   out.mix_band = direct * (slope - 0.5 * value) / out.turn;
   out.mix_low = direct * value / poles.value;
   return out;
}

static BmMatched quotient(const Quadratic* zeros, const Quadratic* poles, double gain)
{
   const double share = correction_share(zeros, poles);
   const Correction none = {.slope = 2.0, .value = 1.0, .first = 1.0}; /* what a share of 0 comes to */
   const Correction above = share > 0.0 ? factor(zeros, share) : none;
   const Correction below = share > 0.0 ? factor(poles, share) : none;
   const double direct = gain * (zeros->gain / poles->gain) * (above.first / below.first);
   BmMatched out;
   out.body =
      section((Polynomial){zeros->slope, zeros->value}, (Polynomial){poles->slope, poles->value}, direct);
   out.correction =
      section((Polynomial){above.slope, above.value}, (Polynomial){below.slope, below.value}, 1.0);
   return out;
}

BmMatched bm_matched_bell(double omega, double gain_db, double q)
{
   const double a = exp(gain_db * (2.30258509299404568402 / 40.0));
   const Quadratic zeros = match(omega, 0.5 * a / q);
   const Quadratic poles = match(omega, 0.5 / (a * q));
   return quotient(&zeros, &poles, 1.0);
}

/* Both shelves are quotients of a quadratic at omega sqrt(A) and one at omega / sqrt(A), with the same
 * damping. */

BmMatched bm_matched_low_shelf(double omega, double gain_db, double q)
{
   const double root_a = exp(gain_db * (2.30258509299404568402 / 80.0));
   const Quadratic zeros = match(omega * root_a, 0.5 / q);
   const Quadratic poles = match(omega / root_a, 0.5 / q);
   return quotient(&zeros, &poles, 1.0);
}

BmMatched bm_matched_high_shelf(double omega, double gain_db, double q)
{
   const double root_a = exp(gain_db * (2.30258509299404568402 / 80.0));
   const Quadratic zeros = match(omega / root_a, 0.5 / q);
   const Quadratic poles = match(omega * root_a, 0.5 / q);
   const double a = root_a * root_a;
   return quotient(&zeros, &poles, a * a);
}

BmMatched bm_matched_low_cut(double omega, double q, double amount)
{
   const Quadratic zeros = match_zeros_at_dc();
   const Quadratic poles = match(omega, 0.5 / q);
   BmMatched out = quotient(&zeros, &poles, 1.0);
   out.body.direct = 1.0 + amount * (out.body.direct - 1.0);
   out.body.mix_band *= amount;
   out.body.mix_low *= amount;
   return out;
}

double bm_butterworth_q(unsigned order, unsigned index)
{
   return 0.5 / cos((2.0 * index + 1.0) * PI / (2.0 * order));
}

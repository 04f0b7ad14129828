/* SPDX-License-Identifier: ISC */
#include "dispersion.h"

#include <math.h>
#include <stdbool.h>
#include <string.h>

#define TWO_PI 6.283185307179586
#define CENTS_PER_RATIO 1731.2340490667559 /* 1200 / ln 2 */
#define PARTIALS_MAX 48
#define PARAMETERS_MAX (1 + 2 * BM_DISPERSION_SECTIONS_MAX)
#define FIT_TOP_HZ 5000.0
#define FIT_REACH 2.6 /* B n^3 that the sections are given to bend */
#define ITERATIONS_MAX 60

typedef struct {
   uint32_t n_sections;
   uint32_t n_partials;
   double omega[PARTIALS_MAX];
   double target[PARTIALS_MAX]; /* phase lag asked of delay and sections, radians */
   double to_cents[PARTIALS_MAX];
} Problem;

/* Parameters: the delay, then for each section log(damping) and log(angle) of its pole exp(-damping + j
   angle), which cannot be unstable. */
typedef struct {
   double p[PARAMETERS_MAX];
} Guess;

double bm_stiff_partial_hz(double f0_hz, double inharmonicity, double n)
{
   return n * f0_hz * sqrt(1.0 + inharmonicity * n * n);
}

/* Phase of 1 - r exp(-j psi), and its slopes. */
static double factor_phase(double r, double psi, double* by_r, double* by_psi)
{
   const double s = sin(psi);
   const double c = cos(psi);
   const double power = 1.0 - 2.0 * r * c + r * r;
   *by_r = s / power;
   *by_psi = (r * c - r * r) / power;
   return atan2(r * s, 1.0 - r * c);
}

/* The error of every partial in cents; fills the Jacobian rows if asked. Returns the sum of squares. */
static double evaluate(const Problem* problem, const Guess* guess, double error[PARTIALS_MAX],
                       double jacobian[PARTIALS_MAX][PARAMETERS_MAX])
{
   double sum = 0.0;
   for (uint32_t i = 0; i < problem->n_partials; ++i) {
      const double omega = problem->omega[i];
      const double scale = problem->to_cents[i];
      double lag = omega * guess->p[0];
      jacobian[i][0] = omega * scale;
      for (uint32_t k = 0; k < problem->n_sections; ++k) {
         const double damping = exp(guess->p[1 + 2 * k]);
         const double radius = exp(-damping);
         const double angle = exp(guess->p[2 + 2 * k]);
         double r1;
         double r2;
         double psi1;
         double psi2;
         lag += 2.0 * omega + 2.0 * factor_phase(radius, omega - angle, &r1, &psi1) +
                2.0 * factor_phase(radius, omega + angle, &r2, &psi2);
         jacobian[i][1 + 2 * k] = scale * -2.0 * (r1 + r2) * radius * damping;
         jacobian[i][2 + 2 * k] = scale * 2.0 * (psi2 - psi1) * angle;
      }
      error[i] = scale * (lag - problem->target[i]);
      sum += error[i] * error[i];
   }
   return sum;
}

/* Solve the damped normal equations by Cholesky's way; false if they are not positive. */
static bool solve(double a[PARAMETERS_MAX][PARAMETERS_MAX], double b[PARAMETERS_MAX], uint32_t n)
{
   for (uint32_t j = 0; j < n; ++j) {
      for (uint32_t i = j; i < n; ++i) {
         double sum = a[i][j];
         for (uint32_t k = 0; k < j; ++k) {
            sum -= a[i][k] * a[j][k];
         }
         if (i == j) {
            if (!(sum > 0.0)) {
               return false;
            }
            a[j][j] = sqrt(sum);
         } else {
            a[i][j] = sum / a[j][j];
         }
      }
   }
   for (uint32_t i = 0; i < n; ++i) {
      for (uint32_t k = 0; k < i; ++k) {
         b[i] -= a[i][k] * b[k];
      }
      b[i] /= a[i][i];
   }
   for (uint32_t i = n; i-- > 0;) {
      for (uint32_t k = i + 1; k < n; ++k) {
         b[i] -= a[k][i] * b[k];
      }
      b[i] /= a[i][i];
   }
   return true;
}

/* The delay that suits the sections best: the error is linear in it. */
static double best_delay(const Problem* problem, const Guess* guess)
{
   double error[PARTIALS_MAX];
   double jacobian[PARTIALS_MAX][PARAMETERS_MAX];
   double projection = 0.0;
   double norm = 0.0;
   evaluate(problem, guess, error, jacobian);
   for (uint32_t i = 0; i < problem->n_partials; ++i) {
      projection += error[i] * jacobian[i][0];
      norm += jacobian[i][0] * jacobian[i][0];
   }
   return guess->p[0] - projection / norm;
}

static void descend(const Problem* problem, Guess* guess)
{
   const uint32_t n = 1 + 2 * problem->n_sections;
   double error[PARTIALS_MAX];
   double jacobian[PARTIALS_MAX][PARAMETERS_MAX];
   double best = evaluate(problem, guess, error, jacobian);
   double damping = 1e-3;
   for (uint32_t iteration = 0; iteration < ITERATIONS_MAX; ++iteration) {
      double a[PARAMETERS_MAX][PARAMETERS_MAX];
      double step[PARAMETERS_MAX];
      for (uint32_t r = 0; r < n; ++r) {
         step[r] = 0.0;
         for (uint32_t c = 0; c <= r; ++c) {
            a[r][c] = 0.0;
         }
         for (uint32_t i = 0; i < problem->n_partials; ++i) {
            step[r] -= jacobian[i][r] * error[i];
            for (uint32_t c = 0; c <= r; ++c) {
               a[r][c] += jacobian[i][r] * jacobian[i][c];
            }
         }
      }
      for (uint32_t r = 0; r < n; ++r) {
         a[r][r] = a[r][r] * (1.0 + damping) + 1e-9;
      }
      Guess next = *guess;
      const bool solved = solve(a, step, n);
      for (uint32_t r = 0; solved && r < n; ++r) {
         next.p[r] += r == 0 ? step[r] : fmin(fmax(step[r], -1.0), 1.0);
      }
      double next_error[PARTIALS_MAX];
      double next_jacobian[PARTIALS_MAX][PARAMETERS_MAX];
      const double sum = solved ? evaluate(problem, &next, next_error, next_jacobian) : (double)INFINITY;
      if (sum < best) {
         const bool settled = best - sum < 1e-6 * best || sum < 1e-4;
         best = sum;
         *guess = next;
         memcpy(error, next_error, sizeof(error));
         memcpy(jacobian, next_jacobian, sizeof(jacobian));
         damping *= 0.2;
         if (settled) {
            break;
         }
      } else {
         damping *= 8.0;
         if (damping > 1e9) {
            break;
         }
      }
   }
}

void bm_dispersion_fit(BmDispersion* self, const BmDispersionSpec* spec)
{
   *self = (BmDispersion){0};
   Problem problem = {0};
   const double top_hz = fmin(FIT_TOP_HZ, 0.4 * spec->sample_rate_hz);
   const double reach = cbrt(FIT_REACH / fmax(spec->inharmonicity, 1e-9));
   for (uint32_t n = 1; n <= PARTIALS_MAX; ++n) {
      const double hz = bm_stiff_partial_hz(spec->f0_hz, spec->inharmonicity, n);
      if (n > 2 && (hz > top_hz || n > reach)) {
         break;
      }
      const double omega = TWO_PI * hz / spec->sample_rate_hz;
      const double loss_lag = atan2(-spec->loss_pole * sin(omega), 1.0 + spec->loss_pole * cos(omega));
      problem.omega[n - 1] = omega;
      problem.target[n - 1] = TWO_PI * n - loss_lag;
      problem.to_cents[n - 1] = CENTS_PER_RATIO / (TWO_PI * n);
      problem.n_partials = n;
   }
   const double turns = spec->inharmonicity * pow(problem.n_partials, 3.0);
   problem.n_sections = turns < 0.15 ? 1 : turns < 0.8 ? 2 : BM_DISPERSION_SECTIONS_MAX;
   if (spec->inharmonicity <= 0.0) {
      problem.n_sections = 0;
   }

   const double top = problem.omega[problem.n_partials - 1];
   /* Where the sections of a guitar's strings end up, so that the search starts near its goal. */
   Guess guess = {{0}};
   for (uint32_t k = 0; k < problem.n_sections; ++k) {
      const double place = (k + 0.35) / problem.n_sections;
      guess.p[1 + 2 * k] = log((0.9 + 0.2 * place * place) / problem.n_sections * top);
      guess.p[2 + 2 * k] = log(place * (0.95 + 0.2 * place) * top);
   }
   guess.p[0] = best_delay(&problem, &guess);
   descend(&problem, &guess);

   self->delay_frames = guess.p[0];
   self->n_sections = problem.n_sections;
   self->n_partials = problem.n_partials;
   for (uint32_t k = 0; k < problem.n_sections; ++k) {
      const double radius = exp(-exp(guess.p[1 + 2 * k]));
      self->a1[k] = -2.0 * radius * cos(exp(guess.p[2 + 2 * k]));
      self->a2[k] = radius * radius;
   }
   double error[PARTIALS_MAX];
   double jacobian[PARTIALS_MAX][PARAMETERS_MAX];
   evaluate(&problem, &guess, error, jacobian);
   /* The first partial is exact: an ear tunes by it. */
   self->delay_frames -= error[0] / jacobian[0][0];
   for (uint32_t i = 0; i < problem.n_partials; ++i) {
      error[i] -= error[0] / jacobian[0][0] * jacobian[i][0];
      self->worst_cents = fmax(self->worst_cents, fabs(error[i]));
   }
}

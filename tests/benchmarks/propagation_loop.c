/* The flat-ground formulas of the EU common method (Directive 2002/49/EC, Annex II, 2.5.12 to 2.5.20) as a plain loop:
   the yardstick for lineside's own kernel. Same inputs, same output, energy domain, both weather states. */
#include <math.h>

#define N 8

static double smaller(double a, double b) { return a < b ? a : b; }

static void porous(const double *band, double g, double za, double zb, double d, double limit, double *q)
{
    const double *k = band, *w1 = band + N, *w2 = band + 2 * N, *w3 = band + 3 * N;
    double u = pow(g, 1.3), scale = 4.0 / (d * d);
    for (int i = 0; i < N; i++) {
        double x = d * w1[i] * u * u / (w2[i] * u * u + w3[i] * u + 1.16e6);
        double c = d * (1.0 + 3.0 * x * exp(-sqrt(x))) / ((1.0 + x) * k[i]);
        double root = sqrt(2.0 * c);
        q[i] = smaller(scale * k[i] * k[i] * (za * (za - root) + c) * (zb * (zb - root) + c), limit);
    }
}

void transfer(int n_receivers, int n_points, int n_heights, const double *receivers, const double *points,
              const double *heights, double g, double g_s, const double *band, const double *absorption, double *out)
{
#pragma omp parallel for schedule(static)
    for (int r = 0; r < n_receivers; r++)
        for (int p = 0; p < n_points; p++) {
            double dx = receivers[3 * r] - points[3 * p], dy = receivers[3 * r + 1] - points[3 * p + 1];
            double length = sqrt(dx * dx + dy * dy), zr = receivers[3 * r + 2];
            for (int h = 0; h < n_heights; h++) {
                double zs = points[3 * p + 2] + heights[h], dz = zr - zs, d2 = length * length + dz * dz, d = sqrt(d2);
                double *o = out + (((long)r * n_points + p) * n_heights + h) * 2 * N;
                double near[N], sum = zs + zr, reach = 30.0 * sum, g_m = g;
                for (int i = 0; i < N; i++)
                    near[i] = pow(10.0, -1.1) / d2 * exp(-absorption[i] * d);
                if (length <= reach)
                    g_m = g * length / reach + g_s * (1.0 - length / reach);
                double bound = 0.3 * (1.0 - g_m), turbulence = 6e-3 * length / sum;
                double bend = 1e-4 * (length / sum) * (length / sum);
                porous(band, g_m, zs, zr, length, pow(10.0, bound), o);
                if (length > reach)
                    bound *= 1.0 + 2.0 * (1.0 - reach / length);
                porous(band, g, zs + bend * zs * zs + turbulence, zr + bend * zr * zr + turbulence, length,
                       pow(10.0, bound), o + N);
                for (int i = 0; i < N; i++) {
                    o[i] *= near[i];
                    o[N + i] *= near[i];
                }
            }
        }
}

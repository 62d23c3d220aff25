/* The recursion of the Kalman filter as one would write it by hand in C: a floor for the bench.
 *
 * calls: one after the other, each  m, vector, and
 *   m = 0 (predict):  vector[8], F[8][8], Q[8][8]    x = F x + vector, P = F P F' + Q
 *   m > 0 (update):   vector[m], H[m][8], R[m][m]    z = vector, in the form of Joseph
 * x[8] and P[8][8] are read and overwritten.
 */
#include <math.h>

#define N 8
#define M 4

static void carry(const double *F, const double *Q, double P[N][N])
{
    double A[N][N];
    for (int i = 0; i < N; i++)
        for (int j = 0; j < N; j++) {
            double sum = 0.0;
            for (int k = 0; k < N; k++) sum += F[i * N + k] * P[k][j];
            A[i][j] = sum;
        }
    for (int i = 0; i < N; i++)
        for (int j = 0; j < N; j++) {
            double sum = Q[i * N + j];
            for (int k = 0; k < N; k++) sum += A[i][k] * F[j * N + k];
            P[i][j] = sum;
        }
}

static void correct(int m, const double *z, const double *H, const double *R, double *x,
                    double P[N][N])
{
    double G[M][N], L[M][M], K[M][N], y[M], W[M][N];
    for (int a = 0; a < m; a++) {
        y[a] = z[a];
        for (int i = 0; i < N; i++) {
            y[a] -= H[a * N + i] * x[i];
            G[a][i] = 0.0;
            for (int k = 0; k < N; k++) G[a][i] += H[a * N + k] * P[k][i];
        }
    }
    for (int a = 0; a < m; a++)          /* S = H P H' + R = L L' */
        for (int b = 0; b <= a; b++) {
            double sum = R[a * m + b];
            for (int k = 0; k < N; k++) sum += H[a * N + k] * G[b][k];
            for (int k = 0; k < b; k++) sum -= L[a][k] * L[b][k];
            L[a][b] = a == b ? sqrt(sum) : sum / L[b][b];
        }
    for (int i = 0; i < N; i++) {        /* K = P H' S^-1, here K' */
        for (int a = 0; a < m; a++) {
            double sum = G[a][i];
            for (int b = 0; b < a; b++) sum -= L[a][b] * K[b][i];
            K[a][i] = sum / L[a][a];
        }
        for (int a = m - 1; a >= 0; a--) {
            double sum = K[a][i];
            for (int b = a + 1; b < m; b++) sum -= L[b][a] * K[b][i];
            K[a][i] = sum / L[a][a];
        }
    }
    for (int a = 0; a < m; a++)
        for (int i = 0; i < N; i++) x[i] += K[a][i] * y[a];
    for (int i = 0; i < N; i++)          /* (I - K H) P (I - K H)' + K R K' */
        for (int j = 0; j < N; j++)
            for (int a = 0; a < m; a++) P[i][j] -= K[a][i] * G[a][j];
    for (int a = 0; a < m; a++)
        for (int i = 0; i < N; i++) {
            double sum = 0.0;
            for (int b = 0; b < m; b++) sum += K[b][i] * R[b * m + a];
            for (int k = 0; k < N; k++) sum -= P[i][k] * H[a * N + k];
            W[a][i] = sum;
        }
    for (int i = 0; i < N; i++)
        for (int j = 0; j < N; j++)
            for (int a = 0; a < m; a++) P[i][j] += W[a][i] * K[a][j];
}

void run(const double *calls, long n, double *x, double *P)
{
    for (long k = 0; k < n; k++) {
        int m = (int)*calls++;
        if (m == 0) {
            double moved[N];
            for (int i = 0; i < N; i++) {
                moved[i] = calls[i];
                for (int j = 0; j < N; j++) moved[i] += calls[N + i * N + j] * x[j];
            }
            for (int i = 0; i < N; i++) x[i] = moved[i];
            carry(calls + N, calls + N + N * N, (double(*)[N])P);
            calls += N + 2 * N * N;
        } else {
            correct(m, calls, calls + m, calls + m + m * N, x, (double(*)[N])P);
            calls += m + m * N + m * m;
        }
    }
}

"""Products and solutions of small matrices inside compiled kernels, where a call of LAPACK costs more than its work."""

from numba import njit


@njit(cache=True, nogil=True, error_model="numpy")
def product(left, right, out):  # type: ignore[no-untyped-def]
    """Product of two small matrices into `out`."""
    out[:] = 0.0
    add_product(left, right, out)


@njit(cache=True, nogil=True, error_model="numpy")
def add_product(left, right, out):  # type: ignore[no-untyped-def]
    """Add the product of two small matrices to `out`: whole rows at a time, which the processor does side by side."""
    for i in range(left.shape[0]):
        for k in range(left.shape[1]):
            by = left[i, k]
            if by == 0.0:  # as most of a Jacobian is
                continue
            for j in range(right.shape[1]):
                out[i, j] += by * right[k, j]


@njit(cache=True, nogil=True, error_model="numpy")
def turn(matrix, out):  # type: ignore[no-untyped-def]
    """A small matrix with rows for columns into `out`."""
    for i in range(matrix.shape[0]):
        for j in range(matrix.shape[1]):
            out[j, i] = matrix[i, j]


@njit(cache=True, nogil=True, error_model="numpy")
def solve(a, right):  # type: ignore[no-untyped-def]
    """Solve `a x = right` in place by elimination with row exchange; `right` becomes x."""
    n, columns = right.shape
    for i in range(n):
        best = i
        for r in range(i + 1, n):
            if abs(a[r, i]) > abs(a[best, i]):
                best = r
        if best > i:
            for c in range(i, n):
                a[i, c], a[best, c] = a[best, c], a[i, c]
            for c in range(columns):
                right[i, c], right[best, c] = right[best, c], right[i, c]
        for r in range(i + 1, n):
            f = a[r, i] / a[i, i]
            for c in range(i + 1, n):
                a[r, c] -= f * a[i, c]
            for c in range(columns):
                right[r, c] -= f * right[i, c]
    for i in range(n - 1, -1, -1):
        for k in range(i + 1, n):
            f = a[i, k]
            for c in range(columns):
                right[i, c] -= f * right[k, c]
        for c in range(columns):
            right[i, c] /= a[i, i]

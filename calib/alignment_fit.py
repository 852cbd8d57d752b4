"""exp"""
from __future__ import annotations
import time
from dataclasses import dataclass, replace
import numpy as np
from scipy.optimize import least_squares
from scipy.spatial.transform import Rotation
from flow.camera import Lens
from flow.module import Camera, Gyro
from flow.rotation import RotationLog
from flow.series import GyroSamples
from calib.turn_pairs import TurnPairs
Array = np.ndarray

def _lagrange(f, knots):
    out = []
    for i, ki in enumerate(knots):
        w = np.ones_like(f)
        for j, kj in enumerate(knots):
            if j != i:
                w = w * (f - kj) / (ki - kj)
        out.append(w)
    return out

class Fit:
    STEP = np.array([1e-5]*3 + [1e-5] + [1e-5]*3 + [1e-4]*2 + [1e-5])
    def __init__(self, pairs: TurnPairs, gyro: GyroSamples, camera: Camera, M0: Rotation, clock, bias, readout=False, lever=False, acc=None):
        lens = Lens(camera)
        self.camera = camera
        P, T = pairs.first_px.shape[:2]
        def rays(px):
            r = lens.rays(np.nan_to_num(px.reshape(-1, 2), nan=100.0)).reshape(P, T, 2)
            return np.concatenate([r, np.ones((P, T, 1))], axis=2)
        self.known = np.isfinite(pairs.first_px).all(-1) & np.isfinite(pairs.second_px).all(-1)
        r0, r1 = rays(pairs.first_px), rays(pairs.second_px)
        self.known &= (np.hypot(r0[..., 0], r0[..., 1]) < 2.5) & (np.hypot(r1[..., 0], r1[..., 1]) < 2.5)
        r0[~self.known] = [0, 0, 1]; r1[~self.known] = [0, 0, 1]
        self.r0, self.r1 = (np.ascontiguousarray(r.transpose(0, 2, 1)) for r in (r0, r1))
        px = np.nan_to_num(pairs.second_px, nan=100.0)
        J = lens.ray_per_pixel(px.reshape(-1, 2)).reshape(P, T, 2, 2)
        self.cov = J @ pairs.covariance_px2 @ J.transpose(0, 1, 3, 2)
        self.cov[~self.known] = np.eye(2)
        H = camera.height_px
        self.f0 = np.nan_to_num((pairs.first_px[..., 1] + .5) / H - .5)
        self.f1 = np.nan_to_num((pairs.second_px[..., 1] + .5) / H - .5)
        self.t0, self.t1 = pairs.first_s, pairs.second_s
        self.gyro = gyro
        self.M0, self.clock0, self.bias0 = M0, clock, np.array(bias, float)
        self.with_readout = readout
        self.knots = np.array([-.5, 0, .5]) if (readout or camera.readout_s) else np.array([0.])
        self.L0 = _lagrange(self.f0, self.knots); self.L1 = _lagrange(self.f1, self.knots)
        self._logs = {}
        self.n0 = None
        self.white = None
        self.vel = None
        n = self.log(self.bias0).matrices((self.t0 + self.t1) / 2 + clock) @ M0.as_matrix()
        n = n[:, :, 2].mean(0); self.n0 = n / np.linalg.norm(n)
        k = np.eye(3)[np.abs(self.n0).argmin()]
        e1 = np.cross(self.n0, k); e1 /= np.linalg.norm(e1)
        self.e = np.array([e1, np.cross(self.n0, e1)])
        self.x = np.zeros(9 + readout)
        if readout: self.x[9] = camera.readout_s
        self.acc = None; self.acc_on = bool(acc)

    def log(self, bias):
        key = bias.tobytes()
        if key not in self._logs:
            if len(self._logs) > 3: self._logs.pop(next(iter(self._logs)))
            log = RotationLog(Gyro(), keep_s=1e9)
            log.append(GyroSamples(time_s=self.gyro.time_s, rate_rad_s=self.gyro.rate_rad_s - bias, accel_m_s2=None))
            self._logs[key] = log
        return self._logs[key]

    def equations(self, x):
        M = (Rotation.from_rotvec(x[:3]) * self.M0).as_matrix()
        clock = self.clock0 + x[3]
        n_in = self.n0 + x[7] * self.e[0] + x[8] * self.e[1]
        readout = x[9] if self.with_readout else self.camera.readout_s
        log = self.log(self.bias0 + x[4:7])
        ref = (self.t0 + self.t1) / 2
        K = len(self.knots)
        times = np.concatenate([ref[:, None], self.t0[:, None] + self.knots * readout, self.t1[:, None] + self.knots * readout], axis=1) + clock
        O = log.matrices(times.ravel()).reshape(*times.shape, 3, 3) @ M
        R = O[:, :1].transpose(0, 1, 3, 2) @ O[:, 1:]
        b0 = sum(L[:, None] * (R[:, k] @ self.r0) for k, L in enumerate(self.L0))
        b1 = sum(L[:, None] * (R[:, K + k] @ self.r1) for k, L in enumerate(self.L1))
        b0 = b0 / b0[:, 2:]; b1 = b1 / b1[:, 2:]
        n = n_in @ O[:, 0]
        slope = np.einsum('pi,pit->pt', n, b0)
        safe = np.where(slope > 0.1, slope, 1.0)
        u = b0 / safe[:, None]
        span = (self.t1 - self.t0)[:, None]
        tau0 = -0.5 + self.f0 * readout / span
        tau1 = 0.5 + self.f1 * readout / span
        lev = None
        if self.acc is not None:
            Cref = O[:, 0]
            l0 = np.einsum('pij,pi->pj', Cref, self.acc[0])[:, None, :] * (self.f0 * readout)[..., None]
            l1 = np.einsum('pij,pi->pj', Cref, self.acc[1])[:, None, :] * (self.f1 * readout)[..., None]
            u = u * (1 - np.einsum('pi,pti->pt', n, l0))[:, None] + (l0 - l1).transpose(0, 2, 1)
        uu = b0 / safe[:, None]
        P, T = slope.shape
        rows = np.empty((P, T, 2, 3))
        D = tau1 - tau0
        for i in range(2):
            c = uu[:, i] - b1[:, i] * uu[:, 2]   # cut @ u
            k = (c * tau0)[:, :, None] * n[:, None, :]
            rows[:, :, i, :] = k
            rows[:, :, i, i] += D
            rows[:, :, i, 2] -= b1[:, i] * D
        rows /= u[:, 2][:, :, None, None]
        target = (u[:, :2] - b1[:, :2] * u[:, 2:]) / u[:, 2:]
        return rows, target.transpose(0, 2, 1), slope > 0.1

    def residual(self, x, full=False):
        rows, target, ok = self.equations(x)
        W = self.white
        P, T = ok.shape
        A = (W @ rows).reshape(P, 2 * T, 3)
        y = (W @ target[..., None]).reshape(P, 2 * T, 1)
        At = A.transpose(0, 2, 1)
        N = At @ A
        N += (1e-9 * np.trace(N, axis1=1, axis2=2) + 1e-12)[:, None, None] * np.eye(3)
        v = np.linalg.solve(N, At @ y)
        if full:
            return rows, target, v[..., 0], ok
        return np.concatenate([(y - A @ v).ravel(), x[7:9] / 0.5])

    def jac(self, x):
        r0 = self.residual(x)
        J = np.empty((len(r0), len(x)))
        for i in range(len(x)):
            h = self.STEP[i]
            xp = x.copy(); xp[i] += h
            xm = x.copy(); xm[i] -= h
            J[:, i] = (self.residual(xp) - r0) / h
        return J

    def weigh(self, x, kind, kappa, per_pair=True):
        if self.white is None:
            self.white = _whiten(self.cov) * self.known[..., None, None]
        rows, target, v, ok = self.residual(x, True)
        pred = (rows @ v[:, None, :, None])[..., 0]
        res = target - pred
        cov = self.cov * self.s2[:, None, None, None] if hasattr(self, 's2') else self.cov
        cov = cov + kappa**2 * pred[..., :, None] * pred[..., None, :]
        Wh = _whiten(cov)
        q = np.sum((Wh @ res[..., None])[..., 0] ** 2, -1)
        use = self.known & ok
        s2 = np.median(q[use]) / (2 * np.log(2))
        qn = q / s2
        if kind == 'cauchy':
            w = 1 / (1 + qn / 2.0)
        else:
            w = np.maximum(1 - qn / 4.685**2, 0) ** 2
        w = np.where(use, w, 0)
        self.white = Wh / np.sqrt(s2) * np.sqrt(w)[..., None, None]
        if self.acc_on:
            from scipy.interpolate import make_smoothing_spline
            M = (Rotation.from_rotvec(x[:3]) * self.M0).as_matrix()
            ref = (self.t0 + self.t1) / 2
            C = self.log(self.bias0 + x[4:7]).matrices(ref + self.clock0 + x[3]) @ M
            V = np.einsum('pij,pj->pi', C, v) / (self.t1 - self.t0)[:, None]
            dt = np.median(np.diff(ref))
            sp = make_smoothing_spline(ref, V, lam=1 / (dt * (2 * np.pi * 8) ** 4))
            self.acc = (sp(self.t0) - sp(ref), sp(self.t1) - sp(ref))
        self.w = w; self.res = res; self.pred = pred
        return s2

    def run(self, kappa=0.0, rounds=('cauchy', 'cauchy', 'tukey', 'tukey'), verbose=False):
        for kind in rounds:
            s2 = self.weigh(self.x, kind, kappa)
            sol = least_squares(self.residual, self.x, jac=self.jac, method='trf', x_scale=np.array([.1]*3+[.01]+[.01]*3+[.3]*2+[.01])[:len(self.x)], xtol=1e-7, ftol=1e-7)
            self.x = sol.x
            if verbose: print(kind, s2, sol.nfev, sol.njev, sol.cost, sol.x)
        self.sol = sol
        return self

    def covariance(self, lags=4):
        J, r = self.sol.jac, self.sol.fun
        P, T = self.known.shape
        B = np.linalg.inv(J.T @ J)
        g = (J[:-2] * r[:-2, None]).reshape(P, 2 * T, -1).sum(1)
        S = g.T @ g
        for l in range(1, lags + 1):
            c = g[l:].T @ g[:-l]
            S += (1 - l / (lags + 1)) * (c + c.T)
        return B, B @ S @ B

def _whiten(covariance):
    a, b, c = covariance[..., 0, 0], covariance[..., 0, 1], covariance[..., 1, 1]
    first = 1 / np.sqrt(a)
    second = 1 / np.sqrt(np.maximum(c - b * b / a, 1e-30))
    W = np.zeros((*a.shape, 2, 2))
    W[..., 0, 0], W[..., 1, 0], W[..., 1, 1] = first, -b / a * second, second
    return W

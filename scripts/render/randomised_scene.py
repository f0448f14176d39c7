"""Composes one scene of the set `domain_randomised`: which fibres lie where, with which ends, plus dirt. Units um, view space."""
import numpy as np
from geometry import add_blob, DUST
import centre_lines as cl
import fibre_mesh as fm
import forms


def sample_style(rng):
    """How bent the loose fibres of a picture are."""
    u = rng.uniform
    lively = rng.random()
    return dict(curv=float(rng.choice([u(0.001, 0.01), u(0.01, 0.04), u(0.04, 0.1)], p=[0.4, 0.4, 0.2])), sway=u(0.0, 0.012), kinks=float(rng.choice([0, u(0.2, 2.5)])),
                hairpins=float(rng.choice([0, u(0.1, 0.7)], p=[0.6, 0.4])), loops=float(rng.choice([0, u(0.1, 0.8)], p=[0.6, 0.4])), hook=0.5 * lively ** 2)


def make_material(rng, grey):
    """Colours and surface of a picture's line."""
    u = rng.uniform
    hsv = lambda h, s, v: np.array([v * (1 - s * (0.5 + 0.5 * np.cos(6.2832 * (h + k)))) for k in (0.5, 0.5 + 2 / 3, 0.5 + 1 / 3)])
    core = np.full(3, u(0.3, 0.75)) * (1 + rng.normal(0, 0.05, 3))
    nd = int(rng.choice([1, 1, 2, 3, 4]))
    dyes = [np.clip(hsv(u(0, 1), u(0.2, 0.97), u(0.04, 0.8)), 0.01, 1) for _ in range(nd)]
    if rng.random() < (0.6 if grey else 0.2):
        dyes = [core * u(0.7, 1.2)]
    return dict(core=core, dyes=dyes, cov=float(rng.choice([0, u(0.3, 1.0)], p=[0.25, 0.75])), mode=float(rng.choice([0, 1, 2], p=[0.8, 0.07, 0.13])), bump=u(0, 0.08),
                grain=float(rng.choice([0, u(0.01, 0.12)], p=[0.5, 0.5])), transl=u(0, 0.7), gloss=u(0.3, 1.2), gain=u(0.0, 0.12), grey=grey)


def mat_row(rng, mat, d, seed, k=0):
    """One row of the material table (see randomised_shade.NMAT)."""
    dye = mat["dyes"][k % len(mat["dyes"])] * rng.normal(1, 0.1)
    two = mat["dyes"][(k + 1) % len(mat["dyes"])] if mat["mode"] and rng.random() < 0.5 else np.array(mat["core"]) * rng.normal(1, 0.06)
    return [*np.clip(two, 0.01, 1), *np.clip(dye, 0.01, 1), np.clip(mat["cov"] * rng.uniform(0.6, 1.15), 0, 1), rng.uniform(0.4, 1.6) * d, d / 2, seed, float(np.clip(rng.normal(1, mat["gain"]), 0.4, 1.6)),
            mat["mode"], mat["bump"] * rng.uniform(0.5, 1.5), mat["grain"] * rng.uniform(0.3, 1.7), mat["transl"], mat["gloss"] * rng.uniform(0.7, 1.2), rng.uniform(3, 25) * d, rng.uniform(1.2, 6)]


class Scene:
    """Collects fibres, ends and dirt of one picture."""

    def __init__(self, rng, job, um, hw, hh, ground):
        self.rng, self.job, self.um, self.hw, self.hh = rng, job, um, hw, hh
        self.mesh = fm.EndMesh(); self.infos = []; self.mats = []; self.tips = []; self.paths = []
        self.d0 = job["d"]; self.mat = job["mat"]; self.style = job["style"]; self.ground = ground
        self.nf = 0

    def diameter(self):
        """A fibre diameter (um) of the picture's spread."""
        r, s = self.rng, self.job["spread"]
        return float(np.clip(self.d0 * np.exp(r.normal(0, s)), 0.45 * self.d0, 2.2 * self.d0))

    def shape(self):
        """A cross-section of the picture's kinds."""
        r = self.rng
        k, w = zip(*self.job["shapes"].items())
        return fm.sample_shape(r, str(r.choice(k, p=np.array(w) / sum(w))))

    def end(self, carrier=None):
        """Parameters of one end, with its carrier's label and cut where it has one."""
        r, j = self.rng, self.job
        lab = carrier["label"] if carrier else ("sheared" if r.random() < j["p_shear"] else "tensile")
        if carrier and r.random() < 0.04 and 0 < j["p_shear"] < 1:
            lab = "tensile" if lab == "sheared" else "sheared"
        return forms.sample_end(r, lab, carrier["cut"] if carrier and lab == "sheared" else None, j["hard"])

    def add(self, path, d, ends, carrier, shape=None):
        """Adds a fibre with up to two ends."""
        r = self.rng
        eids = []
        for e in ends:
            eids.append(len(self.infos) + sum(i >= 0 for i in eids) if e is not None else -1)
        sh = shape or self.shape()
        L = cl.path_length(path)
        need = sum(max(3, e.get("lt", 0) + 2) for e in ends if e is not None) * d + 2 * d
        if L < need:
            return False
        inf = fm.add_fibre(self.mesh, r, path, d, sh, ends, self.nf, eids, self.um / self.job["ss"])
        for i in inf:
            i["carrier"] = int(carrier); i["id"] = f"c{int(carrier):02d}_e{i['eid']:03d}"
            self.tips.append(i["C"][-1])
        self.infos += inf
        self.paths.append((path, d))
        self.mats.append(mat_row(r, self.mat, d, sh["seed"], int(carrier)))
        self.nf += 1
        return True

    def free_tip(self, d):
        """A tip position in the frame, away from earlier tips when possible."""
        r = self.rng
        for _ in range(12):
            p = r.uniform(-0.97, 0.97, 2) * [self.hw, self.hh]
            if all(np.hypot(*(p - t[:2])) > 4 * d for t in self.tips):
                break
        return p

    def loose(self, carrier, with_end=True, two=False, layer=0.0, dive=False):
        """One loose fibre: from a tip (or an edge point) to the frame's outside, another end, or a dive into the ground."""
        r = self.rng
        d = self.diameter(); hw, hh = self.hw, self.hh
        if with_end or dive:
            p0 = self.free_tip(d); a = r.uniform(0, 2 * np.pi)
        else:
            a = r.uniform(0, 2 * np.pi)
            c = r.uniform(-0.8, 0.8, 2) * [hw, hh]
            u = np.array([np.cos(a), np.sin(a)])
            t = min(((np.sign(-u[k]) * (hw, hh)[k] - c[k]) / u[k] for k in (0, 1) if abs(u[k]) > 1e-6), key=abs)
            p0 = c + u * (t - 4 * d * 1.0)
        mx = r.uniform(10, 60) * d if two else 8 * (hw + hh)
        st = dict(self.style)
        if not with_end:
            st["hook"] = 0
        xy, left = cl.walk(r, p0, a, d, st, mx, hw, hh)
        e0 = self.end(carrier if isinstance(carrier, dict) else None) if with_end else None
        e1 = None
        if not left:
            if two:
                e1 = self.end()
            else:
                xy = cl.extend_out(xy, d, hw, hh)
        n = len(xy); h = 0.25 * d
        z = cl.heights(r, n, h, d, layer * self.d0 + 0.5 * d, r.uniform(0.1, 0.7), self.job["weave"])
        m = min(n, int((r.uniform(5, 12) if dive else 5) * d / h))
        if self.ground is not None:
            g = self.ground.at(xy)
            z = np.maximum(z, g + r.uniform(0.12, 0.6) * d)
            if dive:
                z[m:3 * m] = np.minimum(z[m:3 * m], g[m:3 * m] + np.linspace(0.7, 3, len(z[m:3 * m])) * d)
                z[:m] = g[:m] + d * (0.7 - 3.4 * np.linspace(1, 0, m) ** r.uniform(1.0, 2.0))
                k = int(np.argmax(z > g - 0.2 * d))
                u = xy[min(n - 1, k + 4)] - xy[k]
                self.ground.meniscus(xy[k], u / max(np.linalg.norm(u), 1e-9), d)
        if with_end and not dive and r.random() < 0.2:
            z[:m] += np.linspace(1, 0, m) ** 1.5 * d * r.uniform(-0.3, 2.5)
        cid = carrier["index"] if isinstance(carrier, dict) else carrier
        self.add(np.c_[xy, z], d, (e0, e1), cid)

    def bundle(self, carrier, origin, heading, n, spacing, scatter, free):
        """Nearly parallel fibres whose tips lie near a common line; base leaves the frame against `heading`."""
        r = self.rng
        u = np.array([np.cos(heading), np.sin(heading)]); v = np.array([-u[1], u[0]])
        far = 2.3 * np.hypot(self.hw, self.hh)
        cut = carrier["cut"]; slope = np.tan(np.deg2rad(cut["angle"])) * r.choice([-1, 1])
        bend = r.normal(0, 0.25); fan = r.uniform(0.3, 1.0)
        prev = None
        for i in range(n):
            d = float(np.clip(carrier["d"] * np.exp(r.normal(0, 0.05)), 0.4 * self.d0, 2.5 * self.d0))
            e = self.end(carrier)
            y = (i - (n - 1) / 2) * spacing + r.normal(0, 0.15) * spacing
            if e["label"] == "sheared":
                x = -slope * y * (1 if spacing < 1.5 * d else 0.7) + r.normal(0, 0.5) * d
            else:
                x = -r.gamma(1.1, 1.0) * scatter * d
            h = 0.25 * d
            s = np.arange(0, far, h)
            f = s / far
            yy = y * (1 - fan * 0.6 * np.minimum(1, f * 3)) + bend * s * f * 0.5 + free * d * (cl.smooth_noise(r, len(s), 25 * d / h) + 0 * s)
            yy += y - yy[0]
            k = np.exp(-s / (r.uniform(4, 12) * d)) * r.normal(0, 0.3 if e["label"] == "sheared" else 1.0) * d
            yy += k - k[0]
            xy = np.asarray(origin)[None] + (x - s)[:, None] * u + yy[:, None] * v
            z = cl.heights(r, len(s), h, d, r.normal(0, 1.0) * d * (spacing < 1.5 * d) + d, 0.25)
            if self.ground is not None:
                z = np.maximum(z, self.ground.at(xy) + 0.3 * d)
            self.add(np.c_[xy, z], d, (e, None), carrier["index"])
            inf = self.infos[-1]
            if prev is not None and e["label"] == "sheared" and prev["label"] == "sheared" and r.random() < carrier["fuse"]:
                self.fuse(prev, inf)
            prev = inf

    def fuse(self, a, b):
        """Joins two neighbouring cut tips with a lump when they are close."""
        ca, cb = a["rim"].mean(0), b["rim"].mean(0)
        d = a["d"]; w = np.linalg.norm(ca - cb)
        if not 0.3 * d < w < 1.5 * d:
            return
        u = (cb - ca) / w; n = a["T"][-1] - u * (a["T"][-1] @ u); n /= np.linalg.norm(n); v = np.cross(n, u)
        add_blob(self.mesh, (ca + cb) / 2 - n * 0.16 * d, (0.55 * w, 0.36 * d, 0.2 * d), a["fid"], a["end"]["seed"], 0.2, M=18, nt=12, frame=np.stack([u, v, n]), zone=1)
        a["fused"] = b["fused"] = True

    def cross_tips(self, share):
        """Lays fibres over or under some of the tips, so that ends are half hidden or lie on bodies of their own grey."""
        r = self.rng
        for t in list(self.tips):
            if r.random() > share or abs(t[0]) > self.hw or abs(t[1]) > self.hh or self.nf > 400:
                continue
            d = self.diameter()
            a = r.uniform(0, np.pi); u = np.array([np.cos(a), np.sin(a)])
            x = np.arange(-2.3 * np.hypot(self.hw, self.hh), 2.3 * np.hypot(self.hw, self.hh), 0.5 * d)
            bow = r.normal(0, 0.02) * x ** 2 / (10 * d)
            xy = t[:2] + r.uniform(-1.2, 1.2) * d * np.array([-u[1], u[0]]) + x[:, None] * u + np.clip(bow, -30 * d, 30 * d)[:, None] * np.array([-u[1], u[0]])
            z = np.full(len(x), t[2] + r.choice([1, -1], p=[0.5, 0.5]) * d * r.uniform(0.9, 1.4))
            if self.ground is not None:
                z = np.maximum(z, self.ground.at(xy) + 0.2 * d)
            self.add(np.c_[xy, z], d, (None, None), 3000)

    def dirt(self):
        """Dust grains, droplets on fibres, lint, and now and then flakes and slivers (curled debris with pointed ends, not counted as ends)."""
        if self.rng.random() < 0.3:
            self.debris()
        r = self.rng; d0 = self.d0; hw, hh = self.hw, self.hh
        side = self.infos
        n = r.poisson(self.job["dust"])
        for i in range(min(n, 80)):
            k = float(np.clip(r.lognormal(np.log(0.25 * d0), 0.7), 1.2 * self.um, 1.8 * d0))
            rad = k * r.uniform(0.4, 1.2, 3)
            if side and r.random() < 0.4:
                inf = side[r.integers(len(side))]
                ok = np.where(inf["s_side"] > 2.0 * inf["d"])[0]
                if len(ok) == 0:
                    continue
                p = inf["G"][ok[r.integers(len(ok))], r.integers(inf["G"].shape[1])].copy()
                rad = np.minimum(rad, 0.6 * inf["d"])
                drop = r.random() < 0.5
            else:
                p = np.array([r.uniform(-hw, hw), r.uniform(-hh, hh), 0.3 * k]); drop = False
            fr = np.linalg.qr(r.normal(size=(3, 3)))[0]
            if np.linalg.det(fr) < 0:
                fr[0] *= -1
            add_blob(self.mesh, p, rad, self.nf, r.uniform(0, 300), 0.1 if drop else 0.4, M=14, nt=10, frame=fr, zone=DUST)
            g = r.uniform(0.05, 0.7)
            row = mat_row(r, self.mat, 2 * k, r.uniform(0, 300))
            if not drop:
                row[0:3] = [g, g * r.uniform(0.75, 1), g * r.uniform(0.5, 1)]; row[6] = 0.2; row[15] = 0.2; row[14] = 0.05
            row[10] = r.uniform(0.6, 1.6)
            self.mats.append(row); self.nf += 1
        for _ in range(r.poisson(self.job["lint"])):
            d = d0 * r.uniform(0.08, 0.25)
            xy, left = cl.walk(r, r.uniform(-1, 1, 2) * [hw, hh] * 1.02, r.uniform(0, 6.28), d, dict(curv=0.01, sway=0.01, kinks=0, hairpins=0, loops=0, hook=0), 5 * (hw + hh), hw, hh)
            xy = cl.extend_out(xy, d, hw, hh) if not left else xy
            u = xy[0] - xy[2]; u /= max(np.linalg.norm(u), 1e-9)
            pre = xy[0] + u * (np.arange(int(2.4 * np.hypot(hw, hh) / (2 * d)), 0, -1)[:, None] * 2 * d)
            xy = np.r_[pre, xy][:: max(1, len(xy) // 1500)]
            self.add(np.c_[xy, np.full(len(xy), r.uniform(0.3, 3) * d0)], d, (None, None), 0)


    def debris(self):
        """Flat flakes and curled slivers lying on the ground."""
        r = self.rng; d0 = self.d0
        for i in range(r.integers(1, 6)):
            p = np.array([r.uniform(-self.hw, self.hw), r.uniform(-self.hh, self.hh), 0.3 * d0])
            if self.ground is not None:
                p[2] += self.ground.at(p[None, :2])[0]
            if r.random() < 0.4:
                a = r.uniform(0, np.pi); c, s = np.cos(a), np.sin(a)
                add_blob(self.mesh, p, d0 * np.array([r.uniform(0.8, 4), r.uniform(0.5, 2), r.uniform(0.05, 0.3)]), self.nf, r.uniform(0, 300), r.uniform(0.2, 0.6), M=28, nt=14,
                         frame=np.array([[c, s, 0], [-s, c, 0], [0, 0, 1.0]]), zone=DUST)
            else:
                a = r.uniform(0, 6.28); u = np.array([np.cos(a), np.sin(a), 0.0]); L = d0 * r.uniform(1.5, 5); w = d0 * r.uniform(0.1, 0.35)
                for q in (-1, 1):
                    fm.strand(self.mesh, r, p, q * u + r.normal(0, 0.1, 3) * [1, 1, 0.2], L, w, self.nf, -1, r.uniform(0, 1.5))
            self.mats.append(mat_row(r, self.mat, d0, r.uniform(0, 300))); self.nf += 1


def carriers(rng, job, n):
    """Carrier descriptions: shared label, cut, diameter."""
    out = []
    for i in range(n):
        lab = "sheared" if rng.random() < job["p_shear"] else "tensile"
        cut = dict(angle=float(rng.choice([abs(rng.normal(0, 10)), rng.uniform(0, 58)])), sd=rng.uniform(2, 6), az=float(rng.choice([0, np.pi]) + rng.normal(0, 0.5)), sub=forms.subtype(rng, "sheared", job["hard"]))
        out.append(dict(index=i, label=lab, cut=cut, d=float(job["d"] * np.exp(rng.normal(0, 0.4 * job["spread"]))), fuse=float(rng.choice([0, 0.3]))))
    return out


def compose(rng, job, um, hw, hh, ground):
    """Builds the scene of a job on an Adhesive ground (or None). Returns the Scene."""
    sc = Scene(rng, job, um, hw, hh, ground)
    v = job["view"]; d0 = job["d"]; u = rng.uniform
    n = job["n"]
    glue = ground is not None
    if v in ("loose", "mat", "close", "weave", "none"):
        deep = dict(mat=6.0, weave=2.0).get(v, 2.5)
        n_through = job["through"]
        for i in range(n_through):
            sc.loose(1000 + i, with_end=False, layer=abs(rng.normal(0, deep)), dive=False)
        for i in range(n if v != "none" else 0):
            sc.loose(i, True, two=rng.random() < job["two"], layer=abs(rng.normal(0, deep)))
        if glue:
            for i in range(rng.poisson(job["dives"])):
                sc.loose(2000 + i, with_end=False, dive=True, layer=abs(rng.normal(0, 1.0)))
    else:  # bundles: "teased" or "tuft"
        K = job["K"]; cs = carriers(rng, job, K)
        rot = u(0, 2 * np.pi)
        ax = np.array([np.cos(rot), np.sin(rot)]); pv = np.array([-ax[1], ax[0]])
        ext = abs(pv[0]) * hw + abs(pv[1]) * hh; along = abs(ax[0]) * hw + abs(ax[1]) * hh
        for q, c in enumerate(cs):
            m = max(1, n // K)
            off = (-1 + 2 * (q + 0.5) / K) * ext * u(0.6, 0.95) + rng.normal(0, 0.05) * ext
            sp = min((u(1.0, 1.3) if rng.random() < 0.4 else u(1.3, 3.5)) * c["d"], 2.2 * ext / K / m * (1.0 if v == "teased" else 1.8))
            sp = max(sp, 0.5 * c["d"])
            o = pv * off + ax * (u(-0.1, 0.6) if v == "teased" else u(0.15, 0.45)) * along
            sc.bundle(c, o, rot + rng.normal(0, 0.12), m, sp, u(1, 7) if v == "tuft" else u(1, 14), rng.uniform(0, 1.0) * (2 if rng.random() < 0.25 else 0.6))
        for i in range(job["through"]):
            sc.loose(1000 + i, with_end=False, layer=rng.normal(0, 3))
        if rng.random() < 0.4:
            for i in range(rng.integers(1, 4)):
                sc.loose(500 + i, True, two=rng.random() < 0.5, layer=abs(rng.normal(0, 2)))
    sc.cross_tips(job["crossings"])
    sc.dirt()
    return sc

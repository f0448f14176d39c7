#!/usr/bin/env python3
"""Trains the guide: the small network that says which pixels of a straightened strip are own fibre, and where the tip is.

    python train_guide.py --strips DIR[,DIR...] --judge DIR --out guide --minutes 2

Needs Python 3.11+, torch, numpy, onnx, onnxruntime. A GPU speeds it up and is not needed.
Strips come from make_strips.py; a third of what is shown is drawn here (plain shapes: cuts, bows, caps, rails, stripes,
neighbours, crossings). Colours are mixed, inverted, blurred and made noisy at random, so that the guide learns shapes and
not one look. Writes OUT.onnx (input `strip`, n x 3 x 80 x 48, mean 0 and deviation 1; output n x 3 x 80 x 48 logits: own
fibre, own fibre in view, tip). Seeds are fixed.
"""
import argparse, glob, math, os, time
import numpy as np, torch, torch.nn.functional as F
ap = argparse.ArgumentParser()
ap.add_argument("--strips", required=True); ap.add_argument("--judge"); ap.add_argument("--out", required=True)
ap.add_argument("--minutes", type=float, default=2); ap.add_argument("--seed", type=int, default=1)
args = ap.parse_args()
rng = np.random.default_rng(args.seed); torch.manual_seed(args.seed)
dev = "cuda" if torch.cuda.is_available() else "cpu"

def load(dirs):
    a = {k: [] for k in ("img", "amo", "vis", "tip")}
    for d in dirs:
        for f in sorted(glob.glob(d + "/*.npz")):
            z = np.load(f)
            for k in a: a[k].append(z[k])
    return {k: np.concatenate(v) for k, v in a.items()}

def shrink(a): return a.reshape(80,4,48,4,*a.shape[2:]).mean((1,3))
def synth(n):
    I,A,V,T=[],[],[],[]
    for _ in range(n):
        K=4; h,w=80*K,48*K
        bg=rng.uniform(0,255,3) if rng.random()<.5 else np.full(3,rng.uniform(0,255))
        fg=rng.uniform(0,255,3) if rng.random()<.5 else np.full(3,rng.uniform(0,255))
        while np.abs(fg-bg).max()<25: fg=rng.uniform(0,255)*np.ones(3)
        img=np.ones((h,w,3),np.float32)*bg; amo=np.zeros((h,w),np.float32)
        d=12*math.exp(rng.normal(0,.12)); th=rng.normal(0,math.radians(5)); r=rng.normal(0,.18*d,2)
        tx,ty=23.5+r[0],57+r[1]; curv=rng.normal(0,.03)/d if rng.random()<.5 else 0
        yy,xx=np.mgrid[0:h,0:w]; X=(xx+.5)/K-.5-tx; Y=(yy+.5)/K-.5-ty
        u=Y*math.cos(th)+X*math.sin(th); v=-Y*math.sin(th)+X*math.cos(th); v=v-curv*u*np.abs(u)*0.5
        kind=rng.integers(0,4); R=d/2
        shaft=(np.abs(v)<R)
        ends=rng.uniform(-1,1)
        if kind==0 or kind==3:
            a=math.radians(rng.uniform(-65,65) if rng.random()<.7 else 0); m=shaft&(u<v*math.tan(a))
        elif kind==1:
            b=rng.uniform(.02,.5)*d; m=shaft&(u<b*np.sqrt(np.maximum(0,1-(v/R)**2))-b*0.0)
        else:
            Rc=R*rng.uniform(1.05,2.2); hc=d*rng.uniform(.25,.9); off=rng.normal(0,.08*d)
            m=(shaft&(u<0))|((((v-off)/Rc)**2+(u/hc)**2)<1)
        prof=rng.integers(0,5); s=np.clip(v/R,-1.3,1.3)
        shade=np.ones_like(v)
        if prof==1: shade=0.4+0.6*np.sqrt(np.maximum(0,1-s**2*.95))
        if prof==2: shade=0.5+1.0*np.abs(s)**6
        if prof==3: shade=0.6+0.8*np.exp(-((s-rng.uniform(-.4,.4))/.2)**2)
        if prof==4:
            shade=np.ones_like(v)
            for _ in range(rng.integers(1,5)): p0=rng.uniform(-.9,.9); shade*=np.where(np.abs(s-p0)<rng.uniform(.03,.2),rng.uniform(.4,1.5),1)
        # neighbours first (behind), own, maybe one in front
        col=fg if rng.random()<.8 or prof!=2 else bg
        for side in (-1,1):
            if rng.random()<.45:
                gap=rng.uniform(0,.6)*d if rng.random()<.6 else 0
                c=side*(d+gap); uu_end=rng.uniform(-2,3)*d; vn=v-c
                mn=(np.abs(vn)<R*rng.uniform(.9,1.1))&(u<uu_end+vn*rng.uniform(-1,1))
                sn_=np.clip(vn/R,-1.3,1.3); shn=0.4+0.6*np.sqrt(np.maximum(0,1-sn_**2*.95)) if prof in(1,2,3) or rng.random()<.5 else 1.0
                cc=fg if rng.random()<.7 else rng.uniform(0,255,3)
                img=np.where(mn[...,None],cc*np.asarray(shn)[...,None] if not np.isscalar(shn) else cc,img)
        face=rng.uniform(.6,1.5) if rng.random()<.4 else 1.0
        shd=shade*np.where(u>-.25*d,face,1) if kind==2 else shade
        img=np.where(m[...,None],col*shd[...,None],img); amo=m.astype(np.float32); vis=amo.copy()
        if rng.random()<.2:
            ang=rng.uniform(.5,1.2)*rng.choice([-1,1]); cu=-rng.uniform(1.5,4.5)*d; q=(u-cu)*math.cos(ang)+v*math.sin(ang)
            mc=np.abs(q)<R; img=np.where(mc[...,None],fg*(.5+.5*np.sqrt(np.maximum(0,1-(q/R)**2)))[...,None],img); vis[mc]=0
        img=shrink(np.clip(img,0,255)).astype(np.uint8)
        I.append(img); A.append((shrink(amo)*255).astype(np.uint8)); V.append(shrink(vis)>.5); T.append([ty,tx])
    return dict(img=np.array(I),amo=np.array(A),vis=np.array(V),tip=np.array(T))

from concurrent.futures import ProcessPoolExecutor
def part(seed):
    global rng
    rng = np.random.default_rng(seed); return synth(250)
tr = load(args.strips.split(","))
n_real = len(tr["img"])
with ProcessPoolExecutor() as pool:
    sy = list(pool.map(part, range(100, 112)))
for k in tr: tr[k] = np.concatenate([tr[k]] + [s[k].astype(tr[k].dtype) for s in sy])
dv = load([args.judge]) if args.judge and glob.glob(args.judge + "/*.npz") else None
print({k: v.shape for k, v in tr.items()}, n_real, dev, flush=True)
T = lambda x: torch.from_numpy(np.ascontiguousarray(x)).to(dev)
D = dict(img=T(tr["img"].transpose(0, 3, 1, 2)), amo=T(tr["amo"]), vis=T(tr["vis"].astype(np.uint8)), tip=T(tr["tip"].astype(np.float32)))

def norm(x):
    mu = x.mean((1, 2, 3), keepdim=True); sd = x.std((1, 2, 3), keepdim=True, unbiased=False); return (x - mu) / (sd + .01)
U = lambda *s: torch.rand(*s, device=dev)
N = lambda *s: torch.randn(*s, device=dev)
def augment(x):
    n = len(x); m = U(n)
    w = -torch.log(U(n, 3).clamp_min(1e-6)); w = w / w.sum(1, keepdim=True)
    grey = (x * w[:, :, None, None]).sum(1, keepdim=True).expand(-1, 3, -1, -1)
    M = torch.eye(3, device=dev) * .6 + N(n, 3, 3) * .35
    mix = torch.einsum("nij,njhw->nihw", M, x)
    c = m[:, None, None, None]; x = torch.where(c < .35, grey, torch.where(c < .65, mix, x))
    x = torch.where(U(n, 1, 1, 1) < .3, 1 - x, x)
    lo = x.amin((1, 2, 3), keepdim=True); hi = x.amax((1, 2, 3), keepdim=True); x = ((x - lo) / (hi - lo).clamp_min(1e-3)).clamp(0, 1)
    x = x ** torch.exp(N(n, 1, 1, 1) * .35)
    # a slow fall of light across the strip
    gy = torch.linspace(-1, 1, 80, device=dev)[None, None, :, None]; gx = torch.linspace(-1, 1, 48, device=dev)[None, None, None, :]
    x = x * (1 + .15 * N(n, 1, 1, 1) * gy + .15 * N(n, 1, 1, 1) * gx)
    sig = torch.where(U(n) < .5, .3 + U(n) * 1.1, torch.full((n,), .05, device=dev))
    t = torch.arange(-3, 4, device=dev).float(); k = torch.exp(-t[None] ** 2 / (2 * sig[:, None] ** 2)); k = k / k.sum(1, keepdim=True)
    k3 = k.repeat_interleave(3, 0); y = F.pad(x, (3, 3, 3, 3), mode="replicate").reshape(1, 3 * n, 86, 54)
    y = F.conv2d(F.conv2d(y, k3[:, None, :, None], groups=3 * n), k3[:, None, None, :], groups=3 * n).reshape(n, 3, 80, 48)
    s = torch.where(U(n, 1, 1, 1) < .7, .005 + .08 * U(n, 1, 1, 1), torch.zeros(n, 1, 1, 1, device=dev))
    common = N(n, 1, 80, 48).expand(-1, 3, -1, -1); own = N(n, 3, 80, 48)
    return norm(y + s * torch.where(U(n, 1, 1, 1) < .5, common, own))

C = [8, 20, 32, 48]
class Net(torch.nn.Module):
    def __init__(self):
        super().__init__(); L = torch.nn.ModuleDict()
        c = lambda i, o, k=3: torch.nn.Conv2d(i, o, k, padding=k // 2)
        L.update(dict(a0=c(3, C[0]), b0=c(C[0], C[0]), a1=c(C[0], C[1]), b1=c(C[1], C[1]), a2=c(C[1], C[2]), b2=c(C[2], C[2]), a3=c(C[2], C[3]), b3=c(C[3], C[3]),
                      u2=c(C[3], C[2], 1), d2=c(2 * C[2], C[2]), u1=c(C[2], C[1], 1), d1=c(2 * C[1], C[1]), u0=c(C[1], C[0], 1), d0=c(2 * C[0], C[0]), e0=c(C[0], C[0]), out=c(C[0], 3, 1)))
        self.L = L
    def forward(self, x):
        L, r, p = self.L, F.relu, lambda v: F.max_pool2d(v, 2)
        up = lambda v: F.interpolate(v, scale_factor=2, mode="nearest")
        s0 = r(L["b0"](r(L["a0"](x)))); s1 = r(L["b1"](r(L["a1"](p(s0))))); s2 = r(L["b2"](r(L["a2"](p(s1))))); y = r(L["b3"](r(L["a3"](p(s2)))))
        y = r(L["d2"](torch.cat([up(L["u2"](y)), s2], 1))); y = r(L["d1"](torch.cat([up(L["u1"](y)), s1], 1))); y = r(L["d0"](torch.cat([up(L["u0"](y)), s0], 1)))
        return L["out"](r(L["e0"](y)))
net = Net().to(dev); avg = Net().to(dev); avg.load_state_dict(net.state_dict())
opt = torch.optim.AdamW(net.parameters(), 3e-3, weight_decay=1e-3)
rows = torch.arange(80, device=dev)[None, :, None]; cols = torch.arange(48, device=dev)[None, None, :]
heat = lambda t: torch.exp(-((rows - t[:, 0, None, None]) ** 2 + (cols - t[:, 1, None, None]) ** 2) / (2 * 1.5 ** 2))
bce = lambda l, t: F.binary_cross_entropy_with_logits(l, t, reduction="none")
def check(net):
    if dv is None: return ""
    with torch.no_grad():
        y = torch.cat([net(norm(T(dv["img"][i:i + 256].transpose(0, 3, 1, 2)).float() / 255)) for i in range(0, len(dv["img"]), 256)]).cpu().numpy()
    a = dv["amo"] > 127; p = y[:, 0] > 0; iou = (a & p).sum((1, 2)) / np.maximum((a | p).sum((1, 2)), 1)
    k = y[:, 2].reshape(len(y), -1).argmax(1); t = np.hypot(k // 48 - dv["tip"][:, 0], k % 48 - dv["tip"][:, 1]) / 12
    we = np.abs(np.median(p[:, 9:39].sum(2), 1) / np.maximum(np.median(a[:, 9:39].sum(2), 1), 1) - 1)
    return f"judge: overlap {np.median(iou):.3f} (tenth {np.quantile(iou, .1):.3f}) tip {np.median(t):.3f} d width {np.median(we):.3f}"
t0 = time.time(); step = 0; B = 256; ema = 0.0
weights = np.r_[np.full(n_real, 1.0), np.full(len(tr["img"]) - n_real, 0.5 * n_real / (len(tr["img"]) - n_real))]; weights = T(weights / weights.sum())
while True:
    el = (time.time() - t0) / 60 / args.minutes
    if el > 1: break
    for g in opt.param_groups: g["lr"] = 4e-3 * min(1, (step + 1) / 200) * (.01 + .99 * .5 * (1 + math.cos(math.pi * el)))
    i = torch.multinomial(weights, B, replacement=True)
    x = augment(D["img"][i].float() / 255); a = D["amo"][i].float() / 255; v = D["vis"][i].float(); t = D["tip"][i].clone()
    if rng.random() < .5: x, a, v = x.flip(3), a.flip(2), v.flip(2); t[:, 1] = 47 - t[:, 1]
    y = net(x); h = heat(t)
    loss = bce(y[:, 0], a).mean() + .4 * bce(y[:, 1], v).mean() + .6 * (bce(y[:, 2], h) * (1 + 20 * h)).mean()
    opt.zero_grad(); loss.backward(); torch.nn.utils.clip_grad_norm_(net.parameters(), 1.0); opt.step(); step += 1
    k = min(.998, step / (step + 10.0))
    with torch.no_grad():
        for p, q in zip(avg.parameters(), net.parameters()): p.lerp_(q, 1 - k)
    if step % 500 == 0: print(step, f"{el:.2f} loss {loss.item():.4f}", check(avg) if step % 2000 == 0 else "", flush=True)
print(step, "done", check(avg), flush=True)
P = {n: (l.weight.detach().cpu().numpy(), l.bias.detach().cpu().numpy()) for n, l in avg.L.items()}
fwd = lambda P, x: avg(T(x)).detach().cpu().numpy()
outp = args.out
# export
import onnx; from onnx import helper as oh, numpy_helper as nh, TensorProto as TP
nodes,ini=[],[]
def oconv(name,x,act=True):
    w,b=[np.array(q) for q in P[name]]; ini.extend([nh.from_array(w,name+'w'),nh.from_array(b,name+'b')]); k=w.shape[2]
    nodes.append(oh.make_node('Conv',[x,name+'w',name+'b'],[name],kernel_shape=[k,k],pads=[k//2]*4))
    if not act: return name
    nodes.append(oh.make_node('Relu',[name],[name+'r'])); return name+'r'
def opool(x): nodes.append(oh.make_node('MaxPool',[x],[x+'p'],kernel_shape=[2,2],strides=[2,2])); return x+'p'
ini.append(nh.from_array(np.array([1,1,2,2],np.float32),'two'))
def oup(x): nodes.append(oh.make_node('Resize',[x,'','two'],[x+'x'],mode='nearest',coordinate_transformation_mode='asymmetric',nearest_mode='floor')); return x+'x'
def ocat(a,b): nodes.append(oh.make_node('Concat',[a,b],[a+'c'],axis=1)); return a+'c'
s0=oconv('b0',oconv('a0','strip')); s1=oconv('b1',oconv('a1',opool(s0))); s2=oconv('b2',oconv('a2',opool(s1))); y=oconv('b3',oconv('a3',opool(s2)))
y=oconv('d2',ocat(oup(oconv('u2',y,False)),s2)); y=oconv('d1',ocat(oup(oconv('u1',y,False)),s1)); y=oconv('d0',ocat(oup(oconv('u0',y,False)),s0)); y=oconv('out',oconv('e0',y),False)
g=oh.make_graph(nodes,'outline',[oh.make_tensor_value_info('strip',TP.FLOAT,['n',3,80,48])],[oh.make_tensor_value_info('out',TP.FLOAT,['n',3,80,48])],ini)
mdl=oh.make_model(g,opset_imports=[oh.make_opsetid('',13)]); mdl.ir_version=8; onnx.checker.check_model(mdl); onnx.save(mdl,outp+'.onnx')
import onnxruntime as ort
x=rng.normal(0,1,(2,3,80,48)).astype(np.float32); print('onnx gap',np.abs(ort.InferenceSession(outp+'.onnx').run(None,{'strip':x})[0]-np.array(fwd(P,x))).max(), os.path.getsize(outp+'.onnx'))

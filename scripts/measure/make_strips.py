import sys,os,json,hashlib,math
sys.path.insert(0, os.path.join(os.path.dirname(os.path.abspath(__file__)), '..', 'render'))
import numpy as np, cv2
cv2.setNumThreads(1)
import generate as ge, raster as ra, scene as sn, shade as sh, geometry as geo
ge.np, ge.ra, ge.sc, ge.sh, ge.geo = np, ra, sn, sh, geo
seed=int(sys.argv[1]); src=sys.argv[2]; out=sys.argv[3]; nvar=int(sys.argv[4]); os.makedirs(out,exist_ok=True)
S,HB,HA,WH=12,57,22,24
R=np.random.default_rng(seed+77)
def pyr(img):
    L=[img]
    while min(L[-1].shape[:2])>8 and len(L)<6:
        a=L[-1]; h,w=a.shape[0]//2*2,a.shape[1]//2*2
        L.append(((a[0:h:2,0:w:2].astype(np.uint16)+a[1:h:2,0:w:2]+a[0:h:2,1:w:2]+a[1:h:2,1:w:2]+2)//4).astype(np.uint8))
    return L
for n,j in enumerate(ge.plan('dev',seed)):
    tp=f'{src}/'+j['name']+'.json'; op=f"{out}/{j['name']}.npz"
    if not os.path.exists(tp) or os.path.exists(op): continue
    t=json.load(open(tp)); img=cv2.imread(f"{src}/{t['image']}")
    if img is None: continue
    for k in (j,j['spec']):
        k['seed']=int.from_bytes(hashlib.blake2b(repr(k['seed']).encode(),digest_size=7).digest(),'little')
    rng=np.random.default_rng(j['seed']); W,H=ge.W_H(); ss=2; um=192.0/j['mag']
    spec=ge.build_spec(j)
    sub=ge.pick_subset(rng,spec,j['view'],j.get('K'),j.get('n'),j.get('carriers'))
    posed,az,thr,rot=sn.pose(rng,spec,j['view'],sub,W,H,um,j.get('opts',{}))
    m,infos=sn.build(rng,spec,posed,az,thr,W,H,um,ss,j.get('opts',{}))
    V=sn.to_buffer(m['P'],W,H,um,ss)
    z=np.full((H*ss,W*ss),-1e9,np.float32); tb=np.full((H*ss,W*ss),-1,np.int32)
    ra.raster(V,m['F'],m['fid'],z,tb,False,np.zeros((1,1),np.float32),np.zeros((1,1),np.int32))
    own=(tb>=0)&(m['zone'][np.maximum(tb,0)]<=2)
    ids=np.where(own,m['fid'][np.maximum(tb,0)]+1,0).astype(np.uint16)
    for b in t['burnt_in_boxes']: ids[b[1]*ss:b[3]*ss,b[0]*ss:b[2]*ss]=0
    X=(V[:,:2]+0.5)/ss-0.5
    idx={inf['fibre']['id']:i for i,inf in enumerate(infos)}
    L=pyr(img); rec=dict(img=[],amo=[],vis=[],tip=[],meta=[])
    for e in t['ends']:
        if e['visible_fraction']<0.4 or e['defocus_px']>max(3,0.2*e['shaft_diameter_px']) or e['shaft_diameter_px']<5: continue
        i=idx[e['id']]; d=e['shaft_diameter_px']
        sel=(m['fid']==i)&(m['zone']<=2); Fi=m['F'][sel]
        for v in range(nvar):
            w=d*math.exp(R.normal(0,0.12)); a=math.radians(e['axis_deg']+R.normal(0,5)); c,s=math.cos(a),math.sin(a)
            r1,r2=R.normal(0,0.18,2); x0=e['x_px']+d*(r1*c-r2*s); y0=e['y_px']+d*(r1*s+r2*c)
            st=w/S; lev=int(math.floor(math.log2(st))) if st>=2 else 0; lev=min(lev,len(L)-1)
            uu=(np.arange(80)-HB)*st; vv=(np.arange(48)-23.5)*st
            U,Vv=np.meshgrid(uu,vv,indexing='ij')
            px=x0+U*c-Vv*s; py=y0+U*s+Vv*c
            k=0.5**lev
            crop=cv2.remap(L[lev],((px+.5)*k-.5).astype(np.float32),((py+.5)*k-.5).astype(np.float32),cv2.INTER_LINEAR,borderMode=cv2.BORDER_REPLICATE)
            q=cv2.remap(ids,((px+.5)*ss-.5).astype(np.float32),((py+.5)*ss-.5).astype(np.float32),cv2.INTER_NEAREST,borderMode=cv2.BORDER_CONSTANT,borderValue=0)
            vis=(q==i+1)
            dx,dy=X[:,0]-x0,X[:,1]-y0
            P=np.stack([( -dx*s+dy*c)/st+23.5,(dx*c+dy*s)/st+HB],-1) # x=col,y=row
            T=P[Fi]; T=T[((T[:,:,0].max(1)>-1)&(T[:,:,0].min(1)<48)&(T[:,:,1].max(1)>-1)&(T[:,:,1].min(1)<80))]
            big=np.zeros((320,192),np.uint8)
            for tri in np.round(((T+0.5)*4-0.5)*16).astype(np.int32): cv2.fillConvexPoly(big,tri,255,shift=4)
            amo=cv2.resize(big,(48,80),interpolation=cv2.INTER_AREA)
            rec['img'].append(crop); rec['amo'].append(amo); rec['vis'].append(vis)
            rec['tip'].append([((e['x_px']-x0)*c+(e['y_px']-y0)*s)/st+HB, (-(e['x_px']-x0)*s+(e['y_px']-y0)*c)/st+23.5])
            rec['meta'].append([d/w,d,e['visible_fraction'],e['gradable'],e['label']=='sheared',e['bulb_ratio'],['ring','coax','side','trans','sem'].index(t['look'])])
    if rec['img']:
        np.savez_compressed(op,**{k:np.array(v) for k,v in rec.items()})
    print(seed,j['name'],len(rec['img']),flush=True)

//! Judges the measuring stage alone: reads pictures with truth, moves the true ends a little (as a detector would), measures
//! them and compares.
//!
//! usage: `cargo run --example measure_truth -- SET_DIR [--csv OUT.csv] [--seed N] [--exact] [--every N] [--sheet OUT.png [--worst WHAT[,LOOK]]]
//! [--settings FILE] [--candidates FOUND.csv]`
//!
//! SET_DIR holds rendered pictures and their JSON truth (schema `fibre-ends-truth/1`). Tips are moved by up to 0.3
//! diameters, axes by up to 8 degrees, widths by up to 20 %; `--exact` leaves them alone. Prints medians by look and view
//! over gradable ends. With `--candidates` the ends that a detector found are measured instead (`image, x_px, y_px, axis_deg,
//! shaft_diameter_px, score`, as `detector_alone` writes them; stronger ones first where two lie on one end) and those that
//! lie on a true end are compared. The CSV has one row per true end (gradable or not) with truth columns beside all features, so that
//! trees can be trained on it.

use std::collections::BTreeMap;
use std::io::Write;
use std::path::{Path, PathBuf};
use std::time::Instant;

use breakface::detect::Candidate;
use breakface::measure::{FEATURES, MeasuredEnd, measure_ends};
use breakface::micrograph::{GreyPlane, Micrograph};
use breakface::network::StripCache;
use breakface::settings::MeasureSettings;
use breakface::units::{Point, PxBox, direction_gap_deg};
use rand::{Rng, SeedableRng};
use serde_json::Value;

type Failure = Box<dyn std::error::Error>;

struct Options {
    set: PathBuf,
    csv: Option<PathBuf>,
    sheet: Option<PathBuf>,
    worst: String,
    settings: Option<PathBuf>,
    seed: u64,
    exact: bool,
    every: usize,
    candidates: Option<PathBuf>,
}

fn options() -> Result<Options, Failure> {
    let mut args = std::env::args().skip(1);
    let set =
        PathBuf::from(args.next().ok_or("usage: measure_truth SET_DIR [--csv OUT] [--seed N] [--exact] [--every N]")?);
    let mut options = Options {
        set,
        csv: None,
        sheet: None,
        worst: String::from("random"),
        settings: None,
        seed: 1,
        exact: false,
        every: 1,
        candidates: None,
    };
    while let Some(arg) = args.next() {
        let mut value = || args.next().ok_or(format!("{arg} needs a value"));
        match arg.as_str() {
            "--csv" => options.csv = Some(PathBuf::from(value()?)),
            "--sheet" => options.sheet = Some(PathBuf::from(value()?)),
            "--worst" => options.worst = value()?,
            "--settings" => options.settings = Some(PathBuf::from(value()?)),
            "--seed" => options.seed = value()?.parse()?,
            "--every" => options.every = value()?.parse()?,
            "--candidates" => options.candidates = Some(PathBuf::from(value()?)),
            "--exact" => options.exact = true,
            other => return Err(format!("unknown option {other}").into()),
        }
    }
    Ok(options)
}

fn read_picture(path: &Path, truth: &Value) -> Result<Micrograph, Failure> {
    let picture = image::open(path)?;
    let grey = picture.to_luma16();
    let rgb = picture.color().has_color().then(|| picture.to_rgb8());
    let rgb = rgb.filter(|p| p.pixels().any(|v| v.0[0] != v.0[1] || v.0[1] != v.0[2]));
    let number = |v: &Value| v.as_f64().unwrap_or(0.0) as u32;
    let burnt_in = truth["burnt_in_boxes"]
        .as_array()
        .map(|boxes| {
            boxes
                .iter()
                .map(|b| PxBox { x0: number(&b[0]), y0: number(&b[1]), x1: number(&b[2]), y1: number(&b[3]) })
                .collect()
        })
        .unwrap_or_default();
    let grey = GreyPlane::new(grey.width(), grey.height(), grey.into_raw()).ok_or("picture size")?;
    Ok(Micrograph { grey, rgb, scale: None, burnt_in, warnings: Vec::new() })
}

/// Moves a true end as a detector would.
fn candidate(end: &Value, rng: &mut rand_chacha::ChaCha8Rng, exact: bool) -> Option<Candidate> {
    let d = end["shaft_diameter_px"].as_f64()?;
    let mut unit = || if exact { 0.0 } else { rng.random_range(-1.0..1.0) };
    let (along, across, turn, width) = (unit(), unit(), unit(), unit());
    let axis = end["axis_deg"].as_f64()?;
    let tip = Point::new(end["x_px"].as_f64()?, end["y_px"].as_f64()?);
    Some(Candidate {
        tip: tip.towards(axis, 0.3 * d * along).towards(axis + 90.0, 0.3 * d * across),
        axis_deg: axis + 8.0 * turn,
        width_px: d * (1.0 + 0.2 * width),
        score: 1.0,
        network_p_sheared: None,
    })
}

/// Least score of a found end that is measured (the detector's own).
const MIN_SCORE: f64 = 0.38;

/// Found ends by picture; of two within half a diameter the stronger stays.
fn read_candidates(path: &Path) -> Result<BTreeMap<String, Vec<Candidate>>, Failure> {
    let text = std::fs::read_to_string(path)?;
    let mut lines = text.lines();
    let names: Vec<&str> = lines.next().ok_or("empty table")?.split(',').collect();
    let at = |name: &str| names.iter().position(|n| *n == name).ok_or(format!("no column {name}"));
    let columns = [at("x_px")?, at("y_px")?, at("axis_deg")?, at("shaft_diameter_px")?, at("score")?];
    let image = at("image")?;
    let mut found: BTreeMap<String, Vec<Candidate>> = BTreeMap::new();
    for line in lines {
        let cells: Vec<&str> = line.split(',').collect();
        let number = |k: usize| cells.get(columns[k]).and_then(|c| c.parse().ok()).unwrap_or(f64::NAN);
        let (tip, score) = (Point::new(number(0), number(1)), number(4));
        if MIN_SCORE <= score {
            let name = cells.get(image).copied().unwrap_or_default().to_string();
            let one = Candidate { tip, axis_deg: number(2), width_px: number(3), score, network_p_sheared: None };
            found.entry(name).or_default().push(one);
        }
    }
    for list in found.values_mut() {
        list.sort_by(|a, b| b.score.total_cmp(&a.score));
        let mut kept: Vec<Candidate> = Vec::new();
        for c in list.iter() {
            if kept.iter().all(|k| 0.5 * k.width_px < k.tip.distance(c.tip)) {
                kept.push(*c);
            }
        }
        *list = kept;
    }
    Ok(found)
}

/// The true end on which a found one lies, each taken once, strongest first.
fn truths<'a>(candidates: &[Candidate], ends: &'a [Value]) -> Vec<Option<&'a Value>> {
    let mut free = vec![true; ends.len()];
    let number = |e: &Value, key: &str| e[key].as_f64().unwrap_or(f64::NAN);
    candidates
        .iter()
        .map(|c| {
            let gap = |e: &Value| c.tip.distance(Point::new(number(e, "x_px"), number(e, "y_px")));
            let near = |e: &Value| gap(e) <= (0.75 * number(e, "shaft_diameter_px")).max(4.0);
            let best = (0..ends.len())
                .filter(|k| free[*k] && near(&ends[*k]))
                .min_by(|a, b| gap(&ends[*a]).total_cmp(&gap(&ends[*b])))?;
            free[best] = false;
            Some(&ends[best])
        })
        .collect()
}

#[derive(Default)]
struct Tally {
    n: usize,
    values: BTreeMap<&'static str, Vec<f64>>,
}

impl Tally {
    fn push(&mut self, name: &'static str, value: f64) {
        self.values.entry(name).or_default().push(value);
    }

    fn add(&mut self, truth: &Value, end: &MeasuredEnd) {
        let Some(d) = truth["shaft_diameter_px"].as_f64() else { return };
        self.n += 1;
        let (x, y) = (truth["x_px"].as_f64().unwrap_or(0.0), truth["y_px"].as_f64().unwrap_or(0.0));
        self.push("tip_d", end.tip.distance(Point::new(x, y)) / d);
        self.push("axis_deg", direction_gap_deg(end.axis_deg, truth["axis_deg"].as_f64().unwrap_or(0.0)));
        if let Some(w) = end.features.get("shaft_diameter_px") {
            let gap = w / d - 1.0;
            if d >= 15.0 {
                self.push("d15_bias", gap);
                self.push("d15_err", gap.abs());
                self.push("d15_over10", f64::from(u8::from(gap.abs() > 0.1)));
            } else {
                self.push("dsmall_err", gap.abs());
                self.push("dsmall_bias", gap);
            }
            if let Some(u) = end.features.get("shaft_diameter_u_px") {
                self.push("d_covered", f64::from(u8::from((w - d).abs() <= 1.96 * u)));
            }
        }
        if let (Some(b), Some(t)) = (end.features.get("bulb_ratio"), truth["bulb_ratio"].as_f64()) {
            self.push("bulb_err", (b - t).abs());
            self.push("bulb_bias", b - t);
            if let Some(u) = end.features.get("bulb_ratio_u") {
                self.push("b_covered", f64::from(u8::from((b - t).abs() <= 1.96 * u)));
            }
        }
        let edge_on = truth["subtype"] == "clean_cut" && truth["face_nz"].as_f64().unwrap_or(0.0).abs() < 0.5;
        if let (true, Some(a), Some(t)) = (edge_on, end.features.get("cut_angle_deg"), truth["end_line_deg"].as_f64()) {
            self.push("cut_err", (a.abs() - t.abs()).abs());
            self.push("cut_signed", (a - t).abs());
            if let Some(u) = end.features.get("cut_angle_u_deg") {
                self.push("c_covered", f64::from(u8::from((a - t).abs() <= 1.96 * u)));
            }
        }
        self.push("gradable", f64::from(u8::from(end.not_gradable.is_empty())));
        self.push("quality", end.quality);
    }
}

const MEDIANS: &[&str] = &[
    "tip_d",
    "axis_deg",
    "d15_bias",
    "d15_err",
    "dsmall_bias",
    "dsmall_err",
    "bulb_bias",
    "bulb_err",
    "cut_err",
    "cut_signed",
    "quality",
];
const MEANS: &[&str] = &["d15_over10", "d_covered", "b_covered", "c_covered", "gradable"];

fn print(tallies: &BTreeMap<String, Tally>) {
    print!("{:16}{:>6}", "group", "n");
    for name in MEDIANS.iter().chain(MEANS) {
        print!("{name:>12}");
    }
    println!();
    for (group, tally) in tallies {
        print!("{group:16}{:6}", tally.n);
        for name in MEDIANS {
            let mut v = tally.values.get(name).cloned().unwrap_or_default();
            v.sort_by(f64::total_cmp);
            match v.get(v.len() / 2) {
                Some(m) => print!("{m:12.3}"),
                None => print!("{:>12}", "-"),
            }
        }
        for name in MEANS {
            match tally.values.get(name) {
                Some(v) => print!("{:12.3}", v.iter().sum::<f64>() / v.len() as f64),
                None => print!("{:>12}", "-"),
            }
        }
        println!();
    }
}

const TRUTH: &[&str] = &[
    "id",
    "gradable",
    "label",
    "subtype",
    "x_px",
    "y_px",
    "axis_deg",
    "shaft_diameter_px",
    "bulb_ratio",
    "end_line_deg",
    "cut_angle_signed_deg",
    "end_flatness",
    "face_nz",
    "visible_fraction",
    "defocus_px",
    "local_contrast",
];

fn csv_row(out: &mut dyn Write, truth: &Value, end: &Value, measured: &MeasuredEnd) -> Result<(), Failure> {
    let text = |v: &Value| match v {
        Value::String(s) => s.clone(),
        Value::Null => String::new(),
        other => other.to_string(),
    };
    let mut cells: Vec<String> = ["image", "specimen", "look", "view"].iter().map(|k| text(&truth[*k])).collect();
    cells.extend(TRUTH.iter().map(|k| text(&end[*k])));
    cells.extend(
        [measured.tip.x, measured.tip.y, measured.axis_deg, measured.quality].iter().map(|v| format!("{v:.4}")),
    );
    cells.push(measured.not_gradable.iter().map(|r| r.text()).collect::<Vec<_>>().join(" "));
    cells.extend(measured.features.values().iter().map(|v| v.map(|v| format!("{v:.5}")).unwrap_or_default()));
    writeln!(out, "{}", cells.join(","))?;
    Ok(())
}

/// Side of a crop on the sheet, px.
const CROP: u32 = 220;
/// Side of a crop, diameters.
const CROP_D: f64 = 7.0;

/// A crop around a true end with what was measured: edges cyan, outline yellow, end line white, tip red, true tip green.
fn crop(micrograph: &Micrograph, truth: &Value, end: &MeasuredEnd) -> image::RgbImage {
    let d = truth["shaft_diameter_px"].as_f64().unwrap_or(1.0);
    let tip = Point::new(truth["x_px"].as_f64().unwrap_or(0.0), truth["y_px"].as_f64().unwrap_or(0.0));
    let axis = truth["axis_deg"].as_f64().unwrap_or(0.0);
    let middle = tip.towards(axis, -1.7 * d);
    let scale = CROP_D * d / f64::from(CROP);
    let half = f64::from(CROP) / 2.0;
    let mut out = image::RgbImage::from_fn(CROP, CROP, |x, y| {
        let p = Point::new(middle.x + (f64::from(x) - half) * scale, middle.y + (f64::from(y) - half) * scale);
        match &micrograph.rgb {
            Some(rgb) => {
                let at = |v: f64, n: u32| v.round().clamp(0.0, f64::from(n - 1)) as u32;
                *rgb.get_pixel(at(p.x, rgb.width()), at(p.y, rgb.height()))
            }
            None => image::Rgb([(micrograph.grey.bilinear(p) * 255.0) as u8; 3]),
        }
    });
    let mut dot = |p: Point, colour: [u8; 3], size: i64| {
        let (x, y) = ((p.x - middle.x) / scale + half, (p.y - middle.y) / scale + half);
        for dx in 0..size {
            for dy in 0..size {
                let (x, y) = (x as i64 + dx, y as i64 + dy);
                if 0 <= x && x < i64::from(CROP) && 0 <= y && y < i64::from(CROP) {
                    out.put_pixel(x as u32, y as u32, image::Rgb(colour));
                }
            }
        }
    };
    end.drawn.edges.iter().flatten().for_each(|p| dot(*p, [0, 255, 255], 2));
    end.drawn.centre_line.iter().for_each(|p| dot(*p, [255, 128, 0], 1));
    end.drawn.outline.iter().for_each(|p| dot(*p, [255, 255, 0], 2));
    if let Some((a, b)) = end.drawn.end_line {
        for k in 0..=60 {
            let t = f64::from(k) / 60.0;
            dot(Point::new(a.x + (b.x - a.x) * t, a.y + (b.y - a.y) * t), [255, 255, 255], 1);
        }
    }
    dot(tip, [0, 255, 0], 4);
    dot(end.tip, [255, 0, 0], 4);
    out
}

/// The crops with the largest errors, or every `n`-th, on one sheet.
fn write_sheet(path: &Path, mut crops: Vec<(f64, String, image::RgbImage)>) -> Result<(), Failure> {
    crops.sort_by(|a, b| b.0.total_cmp(&a.0));
    crops.truncate(40);
    let mut sheet = image::RgbImage::new(CROP * 8, CROP * 5);
    for (k, (error, name, crop)) in crops.iter().enumerate() {
        println!("{} {} {name} {error:.3}", k / 8, k % 8);
        image::imageops::replace(&mut sheet, crop, i64::from(CROP) * (k as i64 % 8), i64::from(CROP) * (k as i64 / 8));
    }
    sheet.save(path)?;
    Ok(())
}

fn main() -> Result<(), Failure> {
    let options = options()?;
    let mut paths: Vec<PathBuf> = std::fs::read_dir(&options.set)?.filter_map(|e| Some(e.ok()?.path())).collect();
    paths.retain(|p| p.extension().is_some_and(|e| e == "json"));
    paths.sort();
    let mut csv: Box<dyn Write> = match &options.csv {
        Some(path) => Box::new(std::io::BufWriter::new(std::fs::File::create(path)?)),
        None => Box::new(std::io::sink()),
    };
    let names = ["image", "specimen", "look", "view"].into_iter().map(String::from);
    let header = names
        .chain(TRUTH.iter().map(|k| format!("true_{k}")))
        .chain(["x_px", "y_px", "axis_deg", "quality", "not_gradable"].map(String::from))
        .chain(FEATURES.iter().map(|f| f.name.to_string()));
    writeln!(csv, "{}", header.collect::<Vec<_>>().join(","))?;
    let settings: MeasureSettings = match &options.settings {
        Some(path) => toml::from_str(&std::fs::read_to_string(path)?)?,
        None => MeasureSettings::default(),
    };
    let found = options.candidates.as_deref().map(read_candidates).transpose()?;
    let mut tallies: BTreeMap<String, Tally> = BTreeMap::new();
    let mut crops = Vec::new();
    let (mut seconds, mut ends) = (0.0, 0usize);
    for path in paths.iter().step_by(options.every) {
        let truth: Value = serde_json::from_slice(&std::fs::read(path)?)?;
        let (Some(name), Some(list)) = (truth["image"].as_str(), truth["ends"].as_array()) else { continue };
        let micrograph = read_picture(&options.set.join(name), &truth)?;
        let mut rng = rand_chacha::ChaCha8Rng::seed_from_u64(options.seed);
        let pairs: Vec<(&Value, Candidate)> =
            list.iter().filter_map(|e| Some((e, candidate(e, &mut rng, options.exact)?))).collect();
        let mut candidates: Vec<Candidate> =
            pairs.iter().filter(|p| p.0["visible_fraction"].as_f64() > Some(0.3)).map(|p| p.1).collect();
        let mut seen: Vec<Option<&Value>> =
            pairs.iter().filter(|p| p.0["visible_fraction"].as_f64() > Some(0.3)).map(|p| Some(p.0)).collect();
        if let Some(found) = &found {
            candidates = found.get(name).cloned().unwrap_or_default();
            seen = truths(&candidates, list);
        }
        let start = Instant::now();
        let measured =
            measure_ends(&mut StripCache::new(&micrograph), &candidates, &settings).expect("bundled networks run");
        seconds += start.elapsed().as_secs_f64();
        ends += measured.len();
        for (end, m) in seen.iter().zip(&measured).filter_map(|(end, m)| Some(((*end)?, m))) {
            csv_row(&mut csv, &truth, end, m)?;
            if end["gradable"] == true {
                let one = {
                    let mut t = Tally::default();
                    t.add(end, m);
                    t
                };
                if options.sheet.is_some() {
                    let (what, look) = options.worst.split_once(',').unwrap_or((&options.worst, ""));
                    let error = one
                        .values
                        .get(what)
                        .map_or(if what == "random" { rng.random_range(0.0..1.0) } else { -1.0 }, |v| v[0].abs());
                    if truth["look"].as_str().is_some_and(|l| l.contains(look)) {
                        let name = format!(
                            "{name} {} {} d {:.1} w {:.1}",
                            end["id"],
                            end["subtype"],
                            end["shaft_diameter_px"].as_f64().unwrap_or(0.0),
                            m.features.get("shaft_diameter_px").unwrap_or(0.0)
                        );
                        crops.push((error, name, crop(&micrograph, end, m)));
                        crops.sort_by(|a, b| b.0.total_cmp(&a.0));
                        crops.truncate(40);
                    }
                }
                for group in [
                    "all".to_string(),
                    format!("look={}", truth["look"].as_str().unwrap_or("?")),
                    format!("view={}", truth["view"].as_str().unwrap_or("?")),
                ] {
                    tallies.entry(group).or_default().add(end, m);
                }
            }
        }
    }
    print(&tallies);
    if let Some(path) = &options.sheet {
        write_sheet(path, crops)?;
    }
    println!("{ends} ends in {seconds:.2} s: {:.2} ms an end", 1e3 * seconds / ends.max(1) as f64);
    Ok(())
}

//! How finding, labelling and measuring fall off as pictures get worse in known steps: grounds for the quality thresholds.
//!
//! `cargo run --example quality_curves -- SET OUT_DIR [PICTURES]`
//!
//! SET holds rendered pictures with one truth JSON each; of every so many of them, PICTURES in all (default 12), the part with most
//! gradable ends (800 x 600 px) is blurred, made noisy, overexposed, underexposed, saved as JPEG and made smaller in steps,
//! then goes through the whole pipeline.
//! Writes `quality-curves.csv` (one row per kind and step) and `quality-curves.svg` into OUT_DIR. Seeded: the same every time.

use breakface::detect::Detector;
use breakface::micrograph::quality::{PictureQuality, picture_quality};
use breakface::micrograph::{Micrograph, decode_micrograph};
use breakface::pipeline::{Tools, classify_micrograph};
use breakface::results::StageSeconds;
use breakface::settings::Settings;
use breakface::train::ground_truth::{TrueEnd, TruePicture, pairs, read_truth};
use breakface::tree::{Label, Model};
use breakface::units::{Scale, ScaleSource};
use image::{DynamicImage, ImageFormat, imageops};
use rand::{Rng, SeedableRng};
use std::fmt::Write as _;
use std::io::Cursor;
use std::path::{Path, PathBuf};

type Failure = Box<dyn std::error::Error>;

/// One way of making a picture worse, its steps, and the measure that should tell.
struct Kind {
    name: &'static str,
    unit: &'static str,
    steps: &'static [f64],
    degrade: fn(&DynamicImage, f64) -> Result<(Vec<u8>, f64), Failure>,
    /// Name, value and threshold of the measure; lower or higher is worse.
    measure: (&'static str, fn(&Row) -> f64, fn(&Settings) -> f64),
}

const KINDS: [Kind; 6] = [
    Kind {
        name: "blur",
        unit: "px (standard deviation)",
        steps: &[0.0, 0.7, 1.0, 1.5, 2.0, 3.0, 4.0, 6.0],
        degrade: |p, s| Ok((png(&if s == 0.0 { p.clone() } else { p.blur(s as f32) })?, 1.0)),
        measure: ("sharpness", |r| r.sharpness, |s| s.quality.sharpness),
    },
    Kind {
        name: "noise",
        unit: "of full scale (standard deviation)",
        steps: &[0.0, 0.02, 0.04, 0.06, 0.08, 0.10, 0.14, 0.20],
        degrade: |p, s| Ok((png(&noisy(p, s))?, 1.0)),
        measure: ("noise", |r| r.noise, |s| s.quality.noise),
    },
    Kind {
        name: "overexposure",
        unit: "times the light",
        steps: &[1.0, 1.25, 1.5, 2.0, 3.0, 4.0, 6.0],
        degrade: |p, s| Ok((png(&exposed(p, s))?, 1.0)),
        measure: ("share lost in white", |r| r.clipped_high, |s| s.quality.high_share),
    },
    Kind {
        name: "underexposure",
        unit: "grey taken off",
        steps: &[0.0, 0.1, 0.2, 0.3, 0.4, 0.5],
        degrade: |p, s| Ok((png(&darkened(p, s))?, 1.0)),
        measure: ("share lost in black", |r| r.clipped_low, |s| s.quality.low_share),
    },
    Kind {
        name: "jpeg",
        unit: "quality",
        steps: &[95.0, 75.0, 50.0, 30.0, 20.0, 10.0, 5.0],
        degrade: |p, s| Ok((jpeg(p, s as u8)?, 1.0)),
        measure: ("blockiness", |r| r.blockiness, |s| s.quality.blockiness),
    },
    Kind {
        name: "smaller",
        unit: "times the size",
        steps: &[1.0, 0.75, 0.5, 0.35, 0.25, 0.18],
        degrade: |p, s| {
            let to = |v: u32| ((f64::from(v) * s).round() as u32).max(64);
            Ok((png(&p.resize_exact(to(p.width()), to(p.height()), imageops::FilterType::CatmullRom))?, s))
        },
        measure: ("pixels per fibre", |r| r.fibre_px, |s| s.quality.fibre_px),
    },
];

/// Sums over the pictures of one step.
#[derive(Default, Clone)]
struct Row {
    pictures: f64,
    sharpness: f64,
    noise: f64,
    clipped_low: f64,
    clipped_high: f64,
    blockiness: f64,
    fibre_px: f64,
    gradable: f64,
    hit: f64,
    found: f64,
    labelled: f64,
    right: f64,
    diameter_errors: Vec<f64>,
}

impl Row {
    fn plus(mut self, other: Self) -> Self {
        for (sum, value) in [
            (&mut self.pictures, other.pictures),
            (&mut self.sharpness, other.sharpness),
            (&mut self.noise, other.noise),
            (&mut self.clipped_low, other.clipped_low),
            (&mut self.clipped_high, other.clipped_high),
            (&mut self.blockiness, other.blockiness),
            (&mut self.fibre_px, other.fibre_px),
            (&mut self.gradable, other.gradable),
            (&mut self.hit, other.hit),
            (&mut self.found, other.found),
            (&mut self.labelled, other.labelled),
            (&mut self.right, other.right),
        ] {
            *sum += value;
        }
        self.diameter_errors.extend(other.diameter_errors);
        self
    }

    fn recall(&self) -> f64 {
        self.hit / self.gradable.max(1.0)
    }

    fn precision(&self) -> f64 {
        self.hit / self.found.max(1.0)
    }

    fn f1(&self) -> f64 {
        let (p, r) = (self.precision(), self.recall());
        if 0.0 < p + r { 2.0 * p * r / (p + r) } else { 0.0 }
    }

    /// Share of the gradable ends that were found and labelled right: what a break face lives on.
    fn useful(&self) -> f64 {
        self.right / self.gradable.max(1.0)
    }

    fn label_accuracy(&self) -> f64 {
        self.right / self.labelled.max(1.0)
    }

    fn diameter_error(&self) -> f64 {
        let mut sorted = self.diameter_errors.clone();
        sorted.sort_by(f64::total_cmp);
        sorted.get(sorted.len() / 2).copied().unwrap_or(f64::NAN)
    }
}

fn main() -> Result<(), Failure> {
    let args: Vec<String> = std::env::args().collect();
    let (Some(set), Some(out)) = (args.get(1).map(PathBuf::from), args.get(2).map(PathBuf::from)) else {
        return Err("usage: quality_curves SET OUT_DIR [PICTURES]".into());
    };
    let most: usize = args.get(3).map_or(Ok(12), |n| n.parse())?;
    let truth: Vec<TruePicture> =
        read_truth(&set)?.into_values().filter(|t| t.ends.iter().any(|e| e.gradable)).collect();
    let step = truth.len().div_ceil(most.max(1)).max(1);
    let tools = Tools {
        detector: Detector::bundled()?,
        model: Model::bundled()?,
        settings: Settings::default(),
        um_per_px: None,
    };
    let mut table = String::from(
        "kind,step,unit,pictures,sharpness,noise,clipped_low,clipped_high,blockiness,fibre_px,f1,recall,precision,label_accuracy,found_and_right,diameter_error\n",
    );
    let mut curves = Vec::new();
    for kind in &KINDS {
        let mut rows = Vec::new();
        for value in kind.steps {
            let chosen: Vec<&TruePicture> = truth.iter().step_by(step).collect();
            let mut row = all(&chosen, &|p| one(&set, p, kind, *value, &tools).ok());
            mean(&mut row);
            let line = line_of(kind, *value, &row);
            print!("{line}");
            table.push_str(&line);
            rows.push((*value, row));
        }
        curves.push(rows);
    }
    std::fs::create_dir_all(&out)?;
    std::fs::write(out.join("quality-curves.csv"), table)?;
    std::fs::write(out.join("quality-curves.svg"), drawing(&curves, &tools.settings))?;
    Ok(())
}

/// Pictures on two plain threads: a pool would lend one that waits for the detector another picture, which waits for the same detector.
fn all(pictures: &[&TruePicture], one: &(dyn Fn(&TruePicture) -> Option<Row> + Sync)) -> Row {
    let (first, second) = pictures.split_at(pictures.len() / 2);
    let rows = |part: &[&TruePicture]| part.iter().filter_map(|p| one(p)).collect::<Vec<Row>>();
    let (a, b) = std::thread::scope(|scope| {
        let other = scope.spawn(|| rows(second));
        (rows(first), other.join().unwrap_or_default())
    });
    a.into_iter().chain(b).fold(Row::default(), Row::plus)
}

fn line_of(kind: &Kind, value: f64, r: &Row) -> String {
    format!(
        "{},{value},{},{},{:.4},{:.4},{:.4},{:.4},{:.4},{:.2},{:.3},{:.3},{:.3},{:.3},{:.3},{:.4}\n",
        kind.name,
        kind.unit,
        r.pictures,
        r.sharpness,
        r.noise,
        r.clipped_low,
        r.clipped_high,
        r.blockiness,
        r.fibre_px,
        r.f1(),
        r.recall(),
        r.precision(),
        r.label_accuracy(),
        r.useful(),
        r.diameter_error()
    )
}

/// Part of a picture that is looked at, px; ends nearer than the border to its edge are not graded.
const PART: [u32; 2] = [800, 600];
const BORDER: f64 = 20.0;

/// Runs one picture, made worse, through the pipeline.
fn one(set: &Path, truth: &TruePicture, kind: &Kind, value: f64, tools: &Tools) -> Result<Row, Failure> {
    let mut row = Row::default();
    let file = set.join(&truth.image);
    let picture = image::open(&file)?;
    let corner = fullest_part(truth, picture.width(), picture.height());
    let part = picture.crop_imm(corner[0], corner[1], PART[0], PART[1]);
    let (bytes, factor) = (kind.degrade)(&part, value)?;
    let mut micrograph = decode_micrograph(&truth.image, &bytes, &tools.settings.read)?;
    micrograph.scale = scale_of(&file, factor);
    let ends: Vec<TrueEnd> = truth.ends.iter().map(|e| shrunk(&in_part(e, corner), factor)).collect();
    let quality: PictureQuality = picture_quality(&micrograph, &tools.settings.quality);
    row.pictures += 1.0;
    row.sharpness += quality.sharpness.unwrap_or(0.0);
    row.noise += quality.noise;
    row.clipped_low += quality.clipped_low;
    row.clipped_high += quality.clipped_high;
    row.blockiness += quality.blockiness;
    score(&mut row, &micrograph, &ends, tools);
    Ok(row)
}

/// Top-left corner of the part that holds most gradable ends.
fn fullest_part(truth: &TruePicture, width: u32, height: u32) -> [u32; 2] {
    const STEP: usize = 50;
    let inside = |from: [u32; 2]| truth.ends.iter().filter(|e| e.gradable && in_part(e, from).gradable).count();
    let mut best = (0, [0, 0]);
    for y in (0..=height.saturating_sub(PART[1])).step_by(STEP) {
        for x in (0..=width.saturating_sub(PART[0])).step_by(STEP) {
            let n = inside([x, y]);
            if best.0 < n {
                best = (n, [x, y]);
            }
        }
    }
    best.1
}

/// A true end in the frame of the part; outside it, it is not gradable.
fn in_part(end: &TrueEnd, corner: [u32; 2]) -> TrueEnd {
    let mut end = end.clone();
    end.tip.x -= f64::from(corner[0]);
    end.tip.y -= f64::from(corner[1]);
    let within = |v: f64, size: u32| BORDER <= v && v <= f64::from(size) - BORDER;
    end.gradable &= within(end.tip.x, PART[0]) && within(end.tip.y, PART[1]);
    end
}

fn score(row: &mut Row, micrograph: &Micrograph, ends: &[TrueEnd], tools: &Tools) {
    let found =
        classify_micrograph(micrograph, None, tools, &mut StageSeconds::default()).expect("bundled networks run");
    let tips: Vec<_> = found.iter().map(|f| f.measured.tip).collect();
    let matched = pairs(ends, &tips, &tools.settings.label);
    // Hits on ends that nobody could grade are neither right nor wrong.
    let ungradable = matched.iter().filter(|(i, _)| !ends[*i].gradable).count();
    row.found += (found.len() - ungradable) as f64;
    row.gradable += ends.iter().filter(|e| e.gradable).count() as f64;
    let mut diameters: Vec<f64> = ends.iter().filter(|e| e.gradable).map(|e| e.shaft_diameter_px).collect();
    diameters.sort_by(f64::total_cmp);
    row.fibre_px += diameters.get(diameters.len() / 2).copied().unwrap_or(0.0);
    for (i, j) in matched.into_iter().filter(|(i, _)| ends[*i].gradable) {
        row.hit += 1.0;
        let end = &found[j].row;
        if end.label != Label::Unclear {
            row.labelled += 1.0;
            row.right += f64::from(u8::from(end.label == ends[i].label));
        }
        if let Some(d) = end.features.get("shaft_diameter_px") {
            row.diameter_errors.push((d / ends[i].shaft_diameter_px - 1.0).abs());
        }
    }
}

/// Sums of picture measures -> means.
fn mean(row: &mut Row) {
    let n = row.pictures.max(1.0);
    for v in [
        &mut row.sharpness,
        &mut row.noise,
        &mut row.clipped_low,
        &mut row.clipped_high,
        &mut row.blockiness,
        &mut row.fibre_px,
    ] {
        *v /= n;
    }
}

fn scale_of(picture: &Path, factor: f64) -> Option<Scale> {
    let truth: serde_json::Value = serde_json::from_slice(&std::fs::read(picture.with_extension("json")).ok()?).ok()?;
    Scale::new(truth.get("um_per_px")?.as_f64()? / factor, ScaleSource::Series)
}

fn shrunk(end: &TrueEnd, factor: f64) -> TrueEnd {
    let mut end = end.clone();
    // Pixel centres: (x + 0.5) s − 0.5.
    end.tip.x = (end.tip.x + 0.5) * factor - 0.5;
    end.tip.y = (end.tip.y + 0.5) * factor - 0.5;
    end.shaft_diameter_px *= factor;
    end
}

fn png(picture: &DynamicImage) -> Result<Vec<u8>, Failure> {
    let mut bytes = Vec::new();
    picture.write_to(&mut Cursor::new(&mut bytes), ImageFormat::Png)?;
    Ok(bytes)
}

fn jpeg(picture: &DynamicImage, quality: u8) -> Result<Vec<u8>, Failure> {
    let mut bytes = Vec::new();
    let encoder = image::codecs::jpeg::JpegEncoder::new_with_quality(&mut bytes, quality);
    picture.to_rgb8().write_with_encoder(encoder)?;
    Ok(bytes)
}

fn each_value(picture: &DynamicImage, mut to: impl FnMut(f64) -> f64) -> DynamicImage {
    let mut rgb = picture.to_rgb8();
    for pixel in rgb.pixels_mut() {
        pixel.0 = pixel.0.map(|v| (to(f64::from(v) / 255.0) * 255.0).round().clamp(0.0, 255.0) as u8);
    }
    rgb.into()
}

/// Independent noise in every channel such that grey has this standard deviation.
fn noisy(picture: &DynamicImage, sd: f64) -> DynamicImage {
    let mut rng = rand_chacha::ChaCha8Rng::seed_from_u64(1);
    // The same noise in all channels of a pixel, so that grey carries it undiminished.
    let mut rgb = picture.to_rgb8();
    for pixel in rgb.pixels_mut() {
        // Sum of twelve even spreads: normal enough.
        let normal = (0..12).map(|_| rng.random::<f64>()).sum::<f64>() - 6.0;
        pixel.0 = pixel.0.map(|v| (f64::from(v) + 255.0 * sd * normal).round().clamp(0.0, 255.0) as u8);
    }
    rgb.into()
}

fn exposed(picture: &DynamicImage, times: f64) -> DynamicImage {
    each_value(picture, |v| v * times)
}

fn darkened(picture: &DynamicImage, by: f64) -> DynamicImage {
    each_value(picture, |v| v - by)
}

/// Six panels: step across; share found and right, F1 and the measure (with its threshold) up.
fn drawing(curves: &[Vec<(f64, Row)>], settings: &Settings) -> String {
    const W: f64 = 300.0;
    const H: f64 = 190.0;
    let mut out = String::from(
        "<svg xmlns=\"http://www.w3.org/2000/svg\" viewBox=\"0 0 960 470\" font-family=\"sans-serif\" font-size=\"11\">\n<rect width=\"960\" height=\"470\" fill=\"#fff\"/>\n",
    );
    for (i, (kind, rows)) in KINDS.iter().zip(curves).enumerate() {
        let (x0, y0) = (40.0 + (i % 3) as f64 * 315.0, 40.0 + (i / 3) as f64 * 230.0);
        let (w, h) = (W - 40.0, H - 40.0);
        let last = rows.len().saturating_sub(1).max(1) as f64;
        let x = |k: usize| x0 + w * k as f64 / last;
        let y = |v: f64| y0 + h * (1.0 - v.clamp(0.0, 1.0));
        let (name, value, threshold) = kind.measure;
        let top = rows.iter().map(|(_, r)| value(r)).fold(threshold(settings), f64::max).max(1e-9);
        let _ = writeln!(
            out,
            "<text x=\"{x0}\" y=\"{}\" font-weight=\"bold\">{}, {}</text>",
            y0 - 12.0,
            kind.name,
            kind.unit
        );
        let _ = writeln!(out, "<path d=\"M{x0} {y0}v{h}h{w}\" fill=\"none\" stroke=\"#888\"/>");
        let line = |values: Vec<f64>, colour: &str, dash: &str| {
            let points: Vec<String> =
                values.iter().enumerate().map(|(k, v)| format!("{:.1},{:.1}", x(k), y(*v))).collect();
            format!(
                "<polyline points=\"{}\" fill=\"none\" stroke=\"{colour}\" stroke-width=\"2\" stroke-dasharray=\"{dash}\"/>\n",
                points.join(" ")
            )
        };
        out.push_str(&line(rows.iter().map(|(_, r)| r.f1()).collect(), "#0072b2", ""));
        out.push_str(&line(rows.iter().map(|(_, r)| r.useful()).collect(), "#d55e00", ""));
        out.push_str(&line(rows.iter().map(|(_, r)| value(r) / top).collect(), "#555", "2 3"));
        let limit = y(threshold(settings) / top);
        let _ = writeln!(
            out,
            "<path d=\"M{x0} {limit:.1}h{w}\" stroke=\"#555\" stroke-width=\"1\"/><text x=\"{:.1}\" y=\"{:.1}\" text-anchor=\"end\" fill=\"#555\">{name} {}</text>",
            x0 + w,
            limit - 3.0,
            threshold(settings)
        );
        for (k, (step, _)) in rows.iter().enumerate() {
            let _ = writeln!(
                out,
                "<text x=\"{:.1}\" y=\"{:.1}\" text-anchor=\"middle\">{step}</text>",
                x(k),
                y0 + h + 14.0
            );
        }
        for v in [0.0, 0.5, 1.0] {
            let _ = writeln!(out, "<text x=\"{:.1}\" y=\"{:.1}\" text-anchor=\"end\">{v}</text>", x0 - 5.0, y(v) + 4.0);
        }
    }
    out.push_str("<text x=\"40\" y=\"16\" fill=\"#0072b2\">F1 of finding</text><text x=\"130\" y=\"16\" fill=\"#d55e00\">share of gradable ends found and labelled right</text><text x=\"400\" y=\"16\" fill=\"#555\">dotted: the measure over its largest value; line: its threshold</text>\n</svg>\n");
    out
}

//! Every setting turned to what makes no sense, and to its limits: a clear refusal, or work that ends.

use crate::driver::{Bench, fixture, repository};
use breakface::calibrate::{find_scale_bar, fit_rulings};
use breakface::detect::Detector;
use breakface::face::score_specimens;
use breakface::micrograph::quality::picture_quality;
use breakface::micrograph::{Micrograph, decode_micrograph};
use breakface::pipeline::{Tools, classify_micrograph};
use breakface::results::StageSeconds;
use breakface::series::SeriesRow;
use breakface::settings::Settings;
use breakface::stack::merge_files;
use breakface::table::{EndRow, ImageRow};
use breakface::tree::Model;
use std::path::PathBuf;
use std::sync::mpsc;
use std::time::Duration;

/// Every number of the settings: dotted key, place in its list, value.
fn numbers() -> Vec<(String, Option<usize>, toml::Value)> {
    fn walk(prefix: &str, table: &toml::Table, to: &mut Vec<(String, Option<usize>, toml::Value)>) {
        for (name, value) in table {
            let key = if prefix.is_empty() { name.clone() } else { format!("{prefix}.{name}") };
            match value {
                toml::Value::Table(section) => walk(&key, section, to),
                toml::Value::Array(items) => {
                    to.extend(items.iter().enumerate().map(|(i, v)| (key.clone(), Some(i), v.clone())));
                }
                value => to.push((key, None, value.clone())),
            }
        }
    }
    let mut found = Vec::new();
    walk("", &Settings::default().to_toml().unwrap().parse().unwrap(), &mut found);
    found
}

/// A settings file with one number in the place of the default.
fn with(key: &str, place: Option<usize>, number: &str) -> String {
    let (section, name) = key.rsplit_once('.').unwrap();
    let value = match place {
        None => number.to_owned(),
        Some(place) => {
            let all: toml::Table = Settings::default().to_toml().unwrap().parse().unwrap();
            let list = section.split('.').fold(&all, |t, name| t[name].as_table().unwrap())[name].as_array().unwrap();
            let items = list.iter().enumerate();
            let items = items.map(|(i, v)| if i == place { number.to_owned() } else { v.to_string() });
            format!("[{}]", items.collect::<Vec<_>>().join(", "))
        }
    };
    format!("[{section}]\n{name} = {value}\n")
}

/// What settings are tried on.
struct Scene {
    picture: Vec<u8>,
    ruling: Micrograph,
    frames: Vec<PathBuf>,
    detector: Option<Detector>,
}

impl Scene {
    fn new(bench: &Bench) -> Self {
        let whole = image::open(fixture("demo/TC-B01-A_1.jpg")).unwrap();
        let part = |x: u32| whole.crop_imm(x, 300, 150, 110);
        let saved = |name: &str, picture: &image::DynamicImage| {
            let path = bench.write(name, "");
            picture.save(&path).unwrap();
            path
        };
        let ruled = image::GrayImage::from_fn(200, 160, |x, _| image::Luma([if x % 20 < 10 { 60 } else { 200 }]));
        let ruled = saved("ruled.png", &ruled.into());
        let frames = vec![saved("frames/1.png", &part(400)), saved("frames/2.png", &part(400).blur(1.5))];
        let picture = std::fs::read(saved("part.png", &part(400))).unwrap();
        let read = Settings::default().read;
        let ruling = decode_micrograph("ruled", &std::fs::read(ruled).unwrap(), &read).unwrap();
        Self { picture, ruling, frames, detector: Some(Detector::bundled().unwrap()) }
    }

    /// Every stage whose settings these are. What the stages say is their own affair; that they end is asked here.
    fn work(&mut self, section: &str, settings: &Settings) {
        let picture = decode_micrograph("part", &self.picture, &settings.read);
        match section {
            "stack" => drop(merge_files("frames", &self.frames, &settings.stack, &settings.read, &mut |_, _| {})),
            "calibrate" => {
                let ruling = &self.ruling;
                drop(fit_rulings(&ruling.grey, &[], &settings.calibrate.ruling));
                let _ = find_scale_bar(ruling, &settings.read.burnt_in.bar);
            }
            "report" => {}
            _ => {
                let Ok(picture) = picture else { return };
                picture_quality(&picture, &settings.quality);
                let model = Model::bundled().unwrap();
                let detector = self.detector.take().unwrap();
                let tools = Tools { detector, model, settings: settings.clone(), um_per_px: Some(1.0) };
                let ends = classify_micrograph(&picture, Some(8), &tools, &mut StageSeconds::default());
                let rows: Vec<EndRow> = ends.unwrap_or_default().into_iter().map(|e| e.row).collect();
                let series = SeriesRow { specimen: "S".into(), counted: true, ..SeriesRow::default() };
                let image = ImageRow { series, ..ImageRow::default() };
                drop(score_specimens(&rows, &[image], None, &tools.settings.face));
                self.detector = Some(tools.detector);
            }
        }
    }
}

#[test]
fn every_setting_is_refused_clearly_or_the_work_ends() {
    let bench = Bench::new();
    let mut scene = Scene::new(&bench);
    let (ask, asked) = mpsc::channel::<(String, Box<Settings>)>();
    let (answer, answered) = mpsc::channel();
    std::thread::spawn(move || {
        for (section, settings) in asked {
            scene.work(&section, &settings);
            if answer.send(()).is_err() {
                return;
            }
        }
    });
    let all = numbers();
    assert!(300 < all.len(), "{}", all.len());
    let (mut refused, mut done) = (0, 0);
    for (key, place, default) in all {
        let whole = default.is_integer();
        let tries: &[&str] = if whole { &["0", "-1", "9223372036854775807"] } else { &["0.0", "-1.0", "nan", "1e308"] };
        for number in tries {
            let file = bench.write("s.toml", with(&key, place, number));
            let settings = match Settings::load(&file) {
                Ok(settings) => settings,
                Err(error) => {
                    let said = error.to_string();
                    let name = key.rsplit('.').next().unwrap();
                    assert!(
                        said.contains(name) && said.contains("expected") && said.len() < 300,
                        "{key} = {number}: {said}"
                    );
                    refused += 1;
                    continue;
                }
            };
            assert!(*number != "nan" && *number != "1e308", "{key} = {number} is taken");
            let section = key.split('.').next().unwrap().to_owned();
            ask.send((section, Box::new(settings))).unwrap();
            answered.recv_timeout(Duration::from_secs(120)).unwrap_or_else(|e| panic!("{key} = {number}: {e}"));
            done += 1;
        }
    }
    assert!(600 < refused && 100 < done, "{refused} refused, {done} done");
}

/// The same for the program: the message names the setting, and nothing is written.
#[test]
fn the_program_says_which_setting_and_writes_nothing() {
    let bench = Bench::new();
    bench.copy("demo/TC-S01-A_3.jpg", "in/a.jpg");
    let model = repository("models/default.json");
    for (text, expected) in [
        ("[read]\nmin_side_px = -1\n", "read.min_side_px: expected a number from"),
        ("[read]\nmin_side_px = 40.5\n", "(line 2: min_side_px = 40.5)"),
        ("[read]\nmax_file_mb = 1e308\n", "read.max_file_mb: expected a number from"),
        ("[face]\nseed = -1\n", "(line 2: seed = -1)"),
        ("[detect]\nworking_width_px = [10]\n", "(line 2: working_width_px = [10])"),
        ("[detect]\nworking_width_px = \"wide\"\n", "(line 2: working_width_px = \"wide\")"),
        ("[detect\n", "(line 1: [detect)"),
    ] {
        bench.write("s.toml", text);
        let args = ["classify", "in", "-o", "r", "-s", "s.toml", "-m", model.to_str().unwrap()];
        let said = bench.run(&args);
        assert!(said.code == Some(2) && said.err.contains(expected), "{text}: {}", said.err);
        assert!(said.err.lines().count() == 1 && !bench.path("r").exists(), "{}", said.err);
    }
}

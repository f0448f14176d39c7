//! The report page, made from saved results: what it says, what it must never do, and how it holds up.

use base64::Engine as _;
use breakface::measure::FeatureRow;
use breakface::report::{ReportOptions, report, terminal, write_report};
use breakface::results::{DetectorUsed, InputUsed, ModelUsed, RUN_SCHEMA, Results, RunFile, StageSeconds};
use breakface::series::{Kind, SeriesRow};
use breakface::settings::Settings;
use breakface::stats::ratio::Method;
use breakface::table::{
    Basis, CarrierRow, CarrierVerdict, EndRow, FaceVerdict, ImageRow, IntervalFrom, KnotRow, PairRow, SideRow,
    SpecimenRow, TableRow, to_csv, write_csv,
};
use breakface::tree::Label;
use quick_xml::Reader;
use quick_xml::events::{BytesStart, Event};
use sha2::{Digest as _, Sha256};
use std::collections::{BTreeMap, BTreeSet};
use std::path::Path;

/// One opening tag with its attributes, and the text up to the next tag.
#[derive(Debug, Default)]
struct Tag {
    name: String,
    attributes: BTreeMap<String, String>,
    text: String,
}

impl Tag {
    fn get(&self, attribute: &str) -> &str {
        self.attributes.get(attribute).map_or("", String::as_str)
    }
}

/// Elements that never have an end tag (HTML standard, section 13.1.2, void elements), of those that pages use.
const VOID: [&str; 4] = ["meta", "br", "img", "hr"];

/// Every tag of a page. But for void elements the page is well-formed XML too, plots included, which the reader checks.
fn tags(page: &str) -> Vec<Tag> {
    // Text of a script is not markup.
    let mut xml = match (page.find("<script>"), page.find("</script>")) {
        (Some(from), Some(to)) => format!("{}{}", &page[..from + 8], &page[to..]),
        _ => page.to_owned(),
    };
    for name in VOID {
        let mut closed = String::with_capacity(xml.len());
        let mut rest = xml.as_str();
        while let Some(at) = rest.find(&format!("<{name}")) {
            let end = at + rest[at..].find('>').expect("a tag is closed");
            let is_name = !rest[at + 1 + name.len()..].starts_with(|c: char| c.is_ascii_alphanumeric());
            closed.push_str(&rest[..end]);
            closed.push_str(if is_name { "/>" } else { ">" });
            rest = &rest[end + 1..];
        }
        closed.push_str(rest);
        xml = closed;
    }
    let mut reader = Reader::from_str(&xml);
    reader.config_mut().check_end_names = true;
    let mut tags: Vec<Tag> = Vec::new();
    let (mut depth, mut wait) = (0, false);
    loop {
        match reader.read_event().unwrap_or_else(|e| panic!("not well-formed at {}: {e}", reader.error_position())) {
            Event::Eof => break,
            Event::Start(start) => {
                depth += 1;
                wait = true;
                tags.push(tag(&start));
            }
            Event::Empty(start) => tags.push(tag(&start)),
            Event::End(_) => {
                depth -= 1;
                wait = false;
            }
            Event::Text(text) if wait => tags.last_mut().unwrap().text.push_str(&text.xml10_content()),
            Event::GeneralRef(reference) if wait => {
                let resolved = reference.resolve_char_ref().unwrap();
                let named = quick_xml::escape::resolve_predefined_entity(&reference.xml10_content());
                let tag = tags.last_mut().unwrap();
                match (resolved, named) {
                    (Some(c), _) => tag.text.push(c),
                    (_, Some(text)) => tag.text.push_str(text),
                    _ => panic!("unknown entity"),
                }
            }
            _ => {}
        }
    }
    assert_eq!(depth, 0, "every tag is closed");
    tags
}

fn tag(start: &BytesStart<'_>) -> Tag {
    let attributes = start.attributes().map(|a| {
        let a = a.expect("attributes are well-formed and unique");
        let value = quick_xml::escape::unescape(&a.value).unwrap().into_owned();
        (a.key.as_ref().to_owned(), value)
    });
    Tag { name: start.name().as_ref().to_owned(), attributes: attributes.collect(), text: String::new() }
}

fn end(specimen: &str, image: &str, number: u32, label: Label) -> EndRow {
    let mut features = FeatureRow::default();
    let x = f64::from(number);
    features.set("shaft_diameter_px", Some(14.0 + x % 5.0));
    features.set("bulb_ratio", Some(if label == Label::Tensile { 1.61 } else { 1.03 } + 0.01 * (x % 7.0)));
    features.set("cut_angle_deg", Some(if label == Label::Sheared { 31.5 } else { -4.5 } + x % 6.0));
    features.set("flatness", Some(0.021 + 0.001 * x));
    EndRow {
        image: image.into(),
        specimen: specimen.into(),
        end: number,
        carrier: Some(1 + number % 4),
        x_px: 40.0 + 37.0 * x % 320.0,
        y_px: 60.0 + 23.0 * x % 180.0,
        axis_deg: -90.0 + x % 11.0,
        shaft_diameter_um: Some(17.25 + 0.25 * (x % 5.0)),
        label,
        p_sheared: Some(if label == Label::Sheared { 0.93 } else { 0.06 }),
        shape_p_sheared: None,
        appearance_p_sheared: None,
        quality: 0.9,
        reason: if label == Label::Unclear { "out of focus".into() } else { String::new() },
        subtype: "clean cut".into(),
        counted: true,
        features,
        ..EndRow::default()
    }
}

/// A grey picture with a few bright fibres.
fn save_picture(path: &Path) {
    let picture = image::RgbImage::from_fn(400, 300, |x, y| {
        let fibre = (x + y / 7) % 37 < 12 && y > 50;
        image::Rgb([if fibre { 210 } else { 70 + (x % 13) as u8 }; 3])
    });
    picture.save(path).unwrap();
}

/// What a series of `n` knot specimens and two controls looks like, saved to a folder and read back.
fn saved_series(folder: &Path, n: usize, ends_each: u32) -> Results {
    let mut results = Results { folder: folder.into(), ..Results::default() };
    let mut inputs = Vec::new();
    for s in 0..n + 2 {
        let code = format!("TC-P{s:03}-A");
        let kind = if s < n { Kind::Knot } else { [Kind::Cut, Kind::Pull][s - n] };
        let knot = (kind == Kind::Knot).then(|| ["Palomar", "FG", "Uni"][s % 3].to_owned());
        for p in 0..2 {
            let image = format!("{code}_{p}.png");
            let path = folder.join(format!("picture{p}.png"));
            let series = SeriesRow {
                image: image.clone(),
                specimen: code.clone(),
                kind: Some(kind),
                knot: knot.clone(),
                side: Some("standing".into()),
                counted: true,
                ..SeriesRow::default()
            };
            inputs.push(InputUsed { image: image.clone(), path: path.display().to_string(), hash: String::new() });
            results.images.push(ImageRow {
                series,
                um_per_px: Some(0.96),
                width_px: Some(400),
                height_px: Some(300),
                n_found: Some(u64::from(ends_each)),
                ..ImageRow::default()
            });
            for e in 1..=ends_each {
                let label = [Label::Sheared, Label::Tensile, Label::Sheared, Label::Unclear][(e as usize + s) % 4];
                results.ends.push(end(&code, &image, e, label));
            }
            for carrier in 1..=4 {
                results.carriers.push(CarrierRow {
                    image: image.clone(),
                    specimen: code.clone(),
                    carrier,
                    n_sheared: 4,
                    n_tensile: 3,
                    n_unclear: 1,
                    sheared_fraction: Some(4.0 / 7.0),
                    verdict: Some(CarrierVerdict::PartlyCut),
                    ..CarrierRow::default()
                });
            }
        }
        results.specimens.push(specimen(&code, kind, knot, s));
    }
    for (i, knot) in ["Palomar", "FG", "Uni"].into_iter().enumerate().take(n.min(3)) {
        results.knots.push(knot_row(knot, i));
    }
    results.pairs.push(PairRow {
        knot_a: "Palomar".into(),
        knot_b: "FG".into(),
        n_a: 3,
        n_b: 3,
        difference: Some(0.187),
        p: Some(0.021),
        p_adjusted: Some(0.034),
        ..PairRow::default()
    });
    for p in 0..2 {
        save_picture(&folder.join(format!("picture{p}.png")));
    }
    results.run = Some(run_file(inputs));
    save(&results);
    Results::load(folder).unwrap()
}

fn specimen(code: &str, kind: Kind, knot: Option<String>, s: usize) -> SpecimenRow {
    let f = 0.31 + 0.07 * (s % 7) as f64;
    SpecimenRow {
        specimen: code.into(),
        kind: Some(kind),
        knot,
        peak_load_n: Some(211.5 + s as f64),
        n_pictures: 2,
        n_sheared: 41,
        n_tensile: 23,
        n_unclear: 5,
        sheared_fraction: Some(f),
        sheared_low: Some(f - 0.113),
        sheared_high: Some(f + 0.127),
        basis: Some(Basis::Controls),
        verdict: Some(FaceVerdict::Mixed),
        raw_fraction: Some(0.6406),
        raw_low: Some(0.4912),
        raw_high: Some(0.7693),
        design_effect: Some(2.31),
        n_effective: Some(27.7),
        carriers_seen: 8,
        carriers_partly: 8,
        break_zone_um: Some(843.0),
        fibre_diameter_um: Some(18.2),
        fibre_diameter_u_um: Some(0.21),
        flags: "many_unclear".into(),
        ..SpecimenRow::default()
    }
}

fn knot_row(knot: &str, i: usize) -> KnotRow {
    let f = 0.382 + 0.187 * i as f64;
    KnotRow {
        knot: knot.into(),
        rank: Some(i as u32 + 1),
        n_specimens: 3,
        sheared_fraction: Some(f),
        sheared_low: Some(f - 0.094),
        sheared_high: Some(f + 0.088),
        interval_from: Some(IntervalFrom::BetweenSpecimens),
        verdict: Some(FaceVerdict::Mixed),
        n_loads: 3,
        mean_load_n: Some(214.7),
        efficiency: Some(0.713 - 0.1 * i as f64),
        efficiency_low: Some(0.661 - 0.1 * i as f64),
        efficiency_high: Some(0.772 - 0.1 * i as f64),
        efficiency_method: Some(Method::Fieller),
        carriers: Some(8),
        carriers_lost: Some(2.3),
        ..KnotRow::default()
    }
}

fn run_file(inputs: Vec<InputUsed>) -> RunFile {
    RunFile {
        schema: RUN_SCHEMA.into(),
        version: "0.1.0".into(),
        features: "breakface-features/1.0".into(),
        ended: "2026-01-02T03:04:05Z".into(),
        um_per_px: None,
        threads: 2,
        model: ModelUsed { name: "a tree".into(), digest: "00ff".into() },
        detector: DetectorUsed { digest: "11ee".into() },
        settings: Settings::default().to_data().unwrap(),
        inputs,
        wall_s: 1.0,
        stage_s: StageSeconds::default(),
        warnings: vec!["no scale for 1 of 9 pictures".into()],
        rows: None,
        digests: Default::default(),
        shard: None,
    }
}

fn save(results: &Results) {
    fn table<T: TableRow>(results: &Results, name: &str, rows: &[T]) {
        write_csv(&results.folder.join(name), rows).unwrap();
    }
    table(results, "ends.csv", &results.ends);
    table(results, "images.csv", &results.images);
    table(results, "specimens.csv", &results.specimens);
    table(results, "sides.csv", &results.sides);
    table(results, "carriers.csv", &results.carriers);
    table(results, "knots.csv", &results.knots);
    table(results, "pairs.csv", &results.pairs);
    if let Some(run) = &results.run {
        std::fs::write(results.folder.join("run.json"), serde_json::to_vec(run).unwrap()).unwrap();
    }
}

/// What holds for every page: well-formed, self-contained, structured, with text for every picture.
fn check_page(page: &str) -> Vec<Tag> {
    let tags = tags(page);
    // Self-contained: no frames or linked files, and the one script is known to the page's policy by its digest; no address
    // leads anywhere but into the page or beside it.
    let scripts: Vec<&str> = page.split("<script>").skip(1).filter_map(|s| s.split("</script>").next()).collect();
    let policy = tags.iter().find(|t| t.get("http-equiv") == "Content-Security-Policy").unwrap().get("content");
    let digest = base64::engine::general_purpose::STANDARD.encode(Sha256::digest(scripts[0]));
    assert!(scripts.len() == 1 && policy.contains(&format!("script-src 'sha256-{digest}'")), "{policy}");
    for tag in &tags {
        let harmless = !["link", "iframe", "object", "embed", "base", "form"].contains(&tag.name.as_str());
        assert!(harmless, "<{}> has no place in a report", tag.name);
        for (attribute, value) in &tag.attributes {
            assert!(!attribute.starts_with("on"), "event attribute {attribute}");
            if ["src", "href", "xlink:href", "srcset", "poster", "data"].contains(&attribute.as_str()) {
                let inside = value.starts_with('#') || value.starts_with("data:image/jpeg;base64,");
                assert!(inside || (!value.contains(':') && !value.starts_with("//")), "address {value:.60}");
            }
        }
    }
    assert!(!page.contains("http:") && !page.contains("https:") && !page.contains("url(") && !page.contains("@import"));
    check_structure(&tags);
    tags
}

/// Rules of WCAG 2.2 that can be told from the text: names of pictures (1.1.1), headings and tables (1.3.1), language
/// (3.1.1), ids that links and labels point to (4.1.2).
fn check_structure(tags: &[Tag]) {
    let ids: Vec<&str> = tags.iter().map(|t| t.get("id")).filter(|id| !id.is_empty()).collect();
    let unique: BTreeSet<&str> = ids.iter().copied().collect();
    assert_eq!(ids.len(), unique.len(), "ids are unique");
    let mut last = 0;
    let (mut tables, mut captions) = (0, 0);
    for tag in tags {
        if let Some(target) = tag.get("href").strip_prefix('#') {
            assert!(unique.contains(target), "link to #{target}");
        }
        let labelled_by = tag.get("aria-labelledby");
        assert!(labelled_by.is_empty() || unique.contains(labelled_by));
        match tag.name.as_str() {
            "html" => assert_eq!(tag.get("lang"), "en"),
            "img" => assert!(!tag.get("alt").is_empty(), "an img without text"),
            "svg" => {
                assert!(tag.get("aria-hidden") == "true" || !tag.get("aria-label").is_empty(), "an svg without text")
            }
            "th" => assert!(!tag.get("scope").is_empty(), "a th without scope"),
            "table" => tables += 1,
            "caption" => captions += 1,
            "h1" | "h2" | "h3" | "h4" => {
                let level = tag.name[1..].parse::<i32>().unwrap();
                assert!(level <= last + 1, "h{level} after h{last}: {}", tag.text);
                last = level;
            }
            _ => {}
        }
    }
    assert_eq!(tables, captions, "every table has a caption");
    assert_eq!(tags.iter().filter(|t| t.name == "h1").count(), 1);
    assert_eq!(tags.iter().filter(|t| t.name == "main").count(), 1);
}

fn numbers<T: TableRow>(rows: &[T], into: &mut Vec<f64>) {
    for field in String::from_utf8(to_csv(rows)).unwrap().split([',', '\r', '\n']) {
        into.extend(field.parse::<f64>().ok());
    }
}

#[test]
fn every_number_on_the_page_is_a_number_of_the_tables_rounded() {
    let folder = tempfile::tempdir().unwrap();
    let results = saved_series(folder.path(), 3, 16);
    let page = report(&results, &ReportOptions::default());
    let tags = check_page(&page);
    let mut known = Vec::new();
    numbers(&results.ends, &mut known);
    numbers(&results.images, &mut known);
    numbers(&results.specimens, &mut known);
    numbers::<SideRow>(&results.sides, &mut known);
    numbers(&results.carriers, &mut known);
    numbers(&results.knots, &mut known);
    numbers(&results.pairs, &mut known);
    let shown: Vec<&Tag> = tags.iter().filter(|t| t.name == "data").collect();
    assert!(shown.len() > 100);
    for tag in &shown {
        let value: f64 = tag.get("value").parse().unwrap();
        assert!(known.contains(&value), "{value} is in no table");
        let digits: String = tag.text.chars().take_while(|c| !c.is_whitespace() && *c != '°').collect();
        let seen: f64 = digits.replace('\u{2212}', "-").parse().unwrap();
        let half = 0.5000001 * 10f64.powi(-(digits.split_once('.').map_or(0, |(_, d)| d.len()) as i32));
        let is_percent = (seen - 100.0 * value).abs() <= half;
        assert!((seen - value).abs() <= half || is_percent, "{value} is shown as {}", tag.text);
    }
    // And the other way: no published figure is missing.
    let values: BTreeSet<&str> = shown.iter().map(|t| t.get("value")).collect();
    let fractions = results.specimens.iter().flat_map(|s| [s.sheared_fraction, s.sheared_low, s.sheared_high]);
    let of_knots =
        results.knots.iter().flat_map(|k| [k.sheared_fraction, k.sheared_low, k.efficiency, k.efficiency_high]);
    for value in fractions.chain(of_knots).flatten() {
        assert!(values.contains(value.to_string().as_str()), "{value} is not on the page");
    }
}

#[test]
fn hostile_names_stay_text() {
    const HOSTILE: &str =
        "</title></style><script>alert(1)</script><img src=x onerror='alert(2)'>\"'&amp;\u{202E}\u{0}\u{1b}]]>";
    let folder = tempfile::tempdir().unwrap();
    let mut results = saved_series(folder.path(), 1, 8);
    let hostile = || HOSTILE.to_owned();
    for image in &mut results.images {
        image.series.image = hostile();
        image.series.specimen = hostile();
        image.series.side = Some(hostile());
        image.warnings = format!("out_of_focus: {HOSTILE}");
    }
    for end in &mut results.ends {
        (end.image, end.specimen, end.reason, end.subtype) = (hostile(), hostile(), hostile(), hostile());
    }
    for carrier in &mut results.carriers {
        (carrier.image, carrier.specimen) = (hostile(), hostile());
    }
    results.specimens.truncate(1);
    for s in &mut results.specimens {
        (s.specimen, s.flags) = (hostile(), hostile());
        (s.knot, s.line) = (Some(hostile()), Some(hostile()));
    }
    results.knots.truncate(1);
    for k in &mut results.knots {
        (k.knot, k.flags) = (hostile(), format!("knot_mostly_shear;{HOSTILE}"));
        k.line = Some(hostile());
    }
    results.sides = vec![SideRow { specimen: hostile(), side: hostile(), ..SideRow::default() }];
    if let Some(run) = &mut results.run {
        (run.model.name, run.ended, run.version) = (hostile(), hostile(), hostile());
        run.warnings = vec![hostile()];
        run.inputs[0].image = hostile();
    }
    let options = ReportOptions { title: hostile(), ..ReportOptions::default() };
    let page = report(&results, &options);
    let tags = check_page(&page);
    assert!(tags.iter().any(|t| t.name == "h1" && t.text.starts_with("</title></style><script>")));
    // Nothing turns the writing direction or hides: check-values of Unicode TR 36 section 2.6 (bidirectional spoofing).
    assert!(!page.contains(['\u{202E}', '\u{0}', '\u{1b}']));
}

#[test]
fn nothing_found_is_still_a_page() {
    let page = report(&Results::default(), &ReportOptions::default());
    check_page(&page);
    assert!(page.contains("nothing to rank") && page.contains("no controls"));
}

#[test]
fn one_specimen_without_a_knot_is_shown() {
    let folder = tempfile::tempdir().unwrap();
    let mut results = saved_series(folder.path(), 1, 12);
    results.knots.clear();
    results.pairs.clear();
    results.specimens.truncate(1);
    (results.specimens[0].kind, results.specimens[0].knot) = (None, None);
    let page = report(&results, &ReportOptions::default());
    check_page(&page);
    assert!(
        page.contains("Other specimens")
            && page.contains("TC-P000-A")
            && page.contains("<img ")
            && page.contains("<table class=\"answer\"")
    );
}

/// Three knots in two lines, one of them with too few ends for a verdict.
fn several_lines(folder: &Path) -> Results {
    let mut results = saved_series(folder, 4, 8);
    let line = |knot: &str| Some(if knot == "Uni" { "other braid" } else { "braid" }.to_owned());
    results.knots.push(KnotRow { verdict: Some(FaceVerdict::TooFew), rank: None, ..knot_row("Albright", 0) });
    for knot in &mut results.knots {
        knot.line = line(&knot.knot);
    }
    results.specimens.iter_mut().for_each(|s| s.line = s.knot.as_deref().and_then(line));
    results.specimens[3].knot = Some("Albright".into());
    results
}

#[test]
fn only_knots_of_one_line_with_a_verdict_are_ranked() {
    let folder = tempfile::tempdir().unwrap();
    let results = several_lines(folder.path());
    let page = report(&results, &ReportOptions::default());
    let tags = check_page(&page);
    let ranks: Vec<&str> = tags.iter().filter(|t| t.get("class") == "rank").map(|t| t.text.trim()).collect();
    assert_eq!(ranks, ["1.", "2."]);
    assert!(
        page.contains("Of the knots in <bdi>braid</bdi>, least sheared: <strong><bdi>Palomar in braid</bdi></strong>")
    );
    assert!(!page.contains("A. ") && page.contains("too few ends for a verdict"));
}

#[test]
fn the_answer_is_the_same_in_a_terminal() {
    let folder = tempfile::tempdir().unwrap();
    let results = several_lines(folder.path());
    let said = terminal(&results, &Settings::default(), "run");
    let first = "Of the knots in braid, least sheared: Palomar in braid, 38 % (29 to 47 %). \
                 Most sheared: FG in braid, 57 % (48 to 66 %).";
    assert!(said.contains(&format!("\n{first}\n")), "{said}");
    assert!(said.contains("\nThe difference is clear (adjusted p = 0.034)."), "{said}");
    let knots = "\nKnots in braid, from least to most sheared:\n  1. Palomar   38 % (29 to 47 %) sheared, 3 specimens, \
                 breaks at 215 N = 71 % of the straight pull: mixed\n";
    assert!(said.contains(knots), "{said}");
}

#[test]
fn advice_about_knots_needs_a_knot() {
    let folder = tempfile::tempdir().unwrap();
    let mut results = saved_series(folder.path(), 1, 8);
    results.knots.clear();
    results.specimens.truncate(1);
    let row = &mut results.specimens[0];
    (row.kind, row.knot) = (None, None);
    row.flags = "mostly_shear".into();
    let page = report(&results, &ReportOptions::default());
    assert!(page.contains("Mostly shear.") && !page.contains("Dress the knot"));
}

#[test]
fn marked_pictures_beside_the_page_are_linked() {
    let folder = tempfile::tempdir().unwrap();
    let results = saved_series(folder.path(), 1, 8);
    std::fs::create_dir(folder.path().join("overlays")).unwrap();
    std::fs::write(results.overlay_path("TC-P000-A_0.png"), "a picture").unwrap();
    // A run of an earlier version drew PNG.
    std::fs::write(folder.path().join("overlays/TC-P000-A_1.png.png"), "a picture").unwrap();
    let links = |out: &Path| -> BTreeSet<String> {
        write_report(&results, out, &ReportOptions::default()).unwrap();
        let page = std::fs::read_to_string(out).unwrap();
        let tags = check_page(&page);
        tags.iter()
            .filter(|t| t.name == "a")
            .map(|t| t.get("href").to_owned())
            .filter(|h| !h.starts_with('#'))
            .collect()
    };
    let beside = links(&folder.path().join("page.html"));
    assert_eq!(Vec::from_iter(beside), ["overlays/TC-P000-A_0.png.jpg", "overlays/TC-P000-A_1.png.png"]);
    // A page that lies elsewhere may be moved alone: its pictures open within it.
    let elsewhere = tempfile::tempdir().unwrap();
    assert!(links(&elsewhere.path().join("page.html")).is_empty());
}

#[test]
fn pictures_that_are_gone_are_said_to_be_missing() {
    let folder = tempfile::tempdir().unwrap();
    let results = saved_series(folder.path(), 2, 8);
    for p in 0..2 {
        std::fs::remove_file(folder.path().join(format!("picture{p}.png"))).unwrap();
    }
    let page = report(&results, &ReportOptions::default());
    check_page(&page);
    assert!(!page.contains("<img ") && page.contains("could not be reached, so it is not shown"));
    assert!(page.contains("8 pictures could not be reached or read when the page was made"));
}

#[test]
fn two_hundred_specimens_stay_small_and_say_what_is_left_out() {
    let folder = tempfile::tempdir().unwrap();
    let results = saved_series(folder.path(), 198, 40);
    let options = ReportOptions::default();
    let page = report(&results, &options);
    check_page(&page);
    let limit = options.settings.report.page_mb * 1.25e6;
    assert!((page.len() as f64) < limit, "{} bytes", page.len());
    assert!(page.contains("of 400 pictures are shown") && page.contains("plots of single specimens are left out"));
}

#[test]
fn full_pictures_lie_beside_the_page_and_every_link_leads_to_one() {
    let folder = tempfile::tempdir().unwrap();
    let results_folder = folder.path().join("results");
    std::fs::create_dir(&results_folder).unwrap();
    let results = saved_series(&results_folder, 1, 8);
    std::fs::create_dir(results.folder.join("overlays")).unwrap();
    std::fs::copy(results.folder.join("picture0.png"), results.overlay_path("TC-P000-A_0.png")).unwrap();
    let out = folder.path().join("page.html");
    let run = crate::cli::breakface()
        .arg("report")
        .arg(&results_folder)
        .arg("--out")
        .arg(&out)
        .arg("--assets")
        .arg(folder.path().join("full pictures #1"))
        .output()
        .unwrap();
    assert!(run.status.success(), "{}", String::from_utf8_lossy(&run.stderr));
    let page = std::fs::read_to_string(&out).unwrap();
    let tags = check_page(&page);
    let links: Vec<&str> =
        tags.iter().filter(|t| t.name == "a").map(|t| t.get("href")).filter(|h| !h.starts_with('#')).collect();
    assert!(links.iter().any(|l| l.ends_with("-marked.jpg")) && links.iter().any(|l| l.ends_with(".jpg")));
    for link in links {
        let path = link.replace("%20", " ").replace("%23", "#");
        assert!(folder.path().join(&path).is_file(), "{path}");
    }
    // The library call writes the same page.
    let again = folder.path().join("again.html");
    let options = ReportOptions { assets: Some(folder.path().join("full pictures #1")), ..ReportOptions::default() };
    let made = write_report(&results, &again, &options).unwrap();
    assert_eq!(std::fs::read_to_string(&again).unwrap(), page);
    assert_eq!((made.saved, made.unreachable), (6, 0));
}

#[test]
fn the_same_tables_give_the_same_page() {
    let folder = tempfile::tempdir().unwrap();
    let results = saved_series(folder.path(), 5, 12);
    let once = report(&results, &ReportOptions::default());
    assert!(once == report(&results, &ReportOptions::default()));
}

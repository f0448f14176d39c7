//! A checked request -> the answer. Paths are fixed words and numbers; no part of a path ever names a file.

use breakface::labels::HandLabel;
use breakface::units::Point;
use serde::Deserialize;

use super::end_id::EndId;
use super::guard::{Guard, Head};
use super::http::Request;
use super::image_cache::CropRequest;
use super::reply::{Refusal, Reply};
use super::session::{ReviewAction, Session, checked_name};
use super::{apply, assets, retrain, wire};

/// Sides of a crop that may be asked for, px.
const CROP_SIDES: std::ops::RangeInclusive<u32> = 32..=1200;
/// Most picture pixels along a crop's side.
const MAX_SPAN_PX: f64 = 20_000.0;

/// Answers a request whose body has been read.
pub fn answer(session: &Session, guard: &Guard, request: &Request) -> Reply {
    let head = &request.head;
    let result = match head.method.as_str() {
        "GET" => read(session, guard, head),
        _ => write(session, head, &request.body),
    };
    result.unwrap_or_else(Reply::from)
}

/// Checks who asks, before anything is read or done.
pub fn admit(guard: &Guard, head: &Head) -> Result<(), Refusal> {
    guard.check_origin(head)?;
    match head.method.as_str() {
        "GET" => Ok(()),
        "POST" => guard.check_token(head),
        _ => Err(Refusal::new(405, "only GET and POST are understood")),
    }
}

fn read(session: &Session, guard: &Guard, head: &Head) -> Result<Reply, Refusal> {
    if let Some(asset) = assets::find(&head.path) {
        return Ok(Reply::bytes(asset.kind, asset.bytes));
    }
    let parts: Vec<&str> = head.path.trim_start_matches('/').split('/').collect();
    if parts == [""] {
        return Ok(match guard.check_token(head) {
            Ok(()) => Reply::bytes("text/html; charset=utf-8", assets::PAGE),
            Err(_) => Reply { status: 403, ..Reply::bytes("text/html; charset=utf-8", assets::LOCKED) },
        });
    }
    guard.check_token(head)?;
    let labeller = || checked_name(head.param("labeller").unwrap_or(&session.default_labeller));
    match parts.as_slice() {
        ["api", "state"] => Ok(Reply::json(&wire::state(session, labeller()?))),
        ["api", "agreement"] => Ok(Reply::json(&wire::agreements(session))),
        ["api", "end", id] => {
            let id = EndId::parse(id).ok_or_else(|| Refusal::not_found("end"))?;
            let row = session.run.end(id).ok_or_else(|| Refusal::not_found("end"))?;
            Ok(Reply::json(&wire::details(session, id, row, labeller()?)))
        }
        ["api", "picture", n, "tile", level, column, row] => tile(session, number(n)?, [level, column, row]),
        ["api", "picture", n, "crop"] => crop(session, number(n)?, head),
        _ => Err(Refusal::not_found("page")),
    }
}

fn write(session: &Session, head: &Head, body: &[u8]) -> Result<Reply, Refusal> {
    let action = match head.path.as_str() {
        "/api/label" => {
            let asked: LabelBody = parsed(body)?;
            (asked.labeller, ReviewAction::Label(end_id(&asked.end)?, hand_label(&asked.label)?))
        }
        "/api/move" => {
            let asked: MoveBody = parsed(body)?;
            (asked.labeller, ReviewAction::Move(end_id(&asked.end)?, Point::new(asked.x, asked.y)))
        }
        "/api/add" => {
            let asked: AddBody = parsed(body)?;
            (asked.labeller, ReviewAction::Add(asked.picture, Point::new(asked.x, asked.y), hand_label(&asked.label)?))
        }
        "/api/undo" => (parsed::<UndoBody>(body)?.labeller, ReviewAction::Undo),
        "/api/apply" => return apply::apply(session).map(|r| Reply::json(&r)),
        "/api/learn" => return retrain::learn(session).map(|r| Reply::json(&r)),
        "/api/learn/take" => return retrain::take(session).map(|r| Reply::json(&r)),
        _ => return Err(Refusal::not_found("page")),
    };
    let (labeller, action) = action;
    let id = session.write(&labeller, action)?;
    Ok(Reply::json(&wire::changed(session, labeller.trim(), id)))
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct LabelBody {
    labeller: String,
    end: String,
    label: String,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct MoveBody {
    labeller: String,
    end: String,
    x: f64,
    y: f64,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct AddBody {
    labeller: String,
    picture: usize,
    x: f64,
    y: f64,
    label: String,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct UndoBody {
    labeller: String,
}

fn parsed<'a, T: Deserialize<'a>>(body: &'a [u8]) -> Result<T, Refusal> {
    serde_json::from_slice(body).map_err(|e| Refusal::new(400, format!("the request is not understood: {e}")))
}

fn end_id(text: &str) -> Result<EndId, Refusal> {
    EndId::parse(text).ok_or_else(|| Refusal::not_found("end"))
}

fn hand_label(word: &str) -> Result<HandLabel, Refusal> {
    HandLabel::from_word(word).ok_or_else(|| Refusal::new(400, "a label is sheared, tensile, unclear or not_an_end"))
}

fn number(text: &str) -> Result<usize, Refusal> {
    let digits = !text.is_empty() && text.bytes().all(|b| b.is_ascii_digit());
    digits.then(|| text.parse().ok()).flatten().ok_or_else(|| Refusal::not_found("picture"))
}

fn tile(session: &Session, picture: usize, place: [&str; 3]) -> Result<Reply, Refusal> {
    let mut numbers = [0u32; 3];
    for (slot, text) in numbers.iter_mut().zip(place) {
        *slot = number(text)?.try_into().map_err(|_| Refusal::not_found("tile"))?;
    }
    let [level, column, row] = numbers;
    let shown = session.run.shown(&session.cache, picture)?;
    let bytes = shown.tile(level, column, row).ok_or_else(|| Refusal::not_found("tile"))?;
    Ok(Reply::bytes("image/jpeg", bytes.map_err(|e| Refusal::fault(&e))?))
}

fn crop(session: &Session, picture: usize, head: &Head) -> Result<Reply, Refusal> {
    let value = |name: &str| {
        let text = head.param(name).and_then(|t| t.parse::<f64>().ok()).filter(|v| v.is_finite());
        text.ok_or_else(|| Refusal::new(400, format!("a crop needs the number {name}")))
    };
    let size = value("size")?;
    let span_px = value("span")?;
    if !CROP_SIDES.contains(&(size as u32)) || !(1.0..=MAX_SPAN_PX).contains(&span_px) {
        return Err(Refusal::new(400, "a crop of this size is not made"));
    }
    let cut = CropRequest {
        tip: Point::new(value("x")?, value("y")?),
        axis_deg: value("axis")?,
        span_px,
        size: size as u32,
        at: (0.5, value("at")?.clamp(0.0, 1.0)),
    };
    let shown = session.run.shown(&session.cache, picture)?;
    Ok(Reply::bytes("image/jpeg", shown.cut(&cut).map_err(|e| Refusal::fault(&e))?))
}

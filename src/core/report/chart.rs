//! Vitals over time as hand-written SVG: one lane a measure, all on one time axis, with treatments and warnings below.
//!
//! Two widths are drawn, for a page and for a telephone; the page shows one of them. Nothing relies on colour: what is
//! not confirmed or only said to be unchanged is hollow, what could not be obtained is a cross, and a line is drawn
//! only between measures at most [`GAP_MS`] apart, so that a gap looks like one.

use std::fmt::Write;

use serde::Serialize;

use super::call::happened;
use super::review::{Desk, is_treatment};
use super::vitals::{Measure, Set, obtained};
use crate::core::event::Priority;
use crate::core::finding::{Field, Finding, Kind};
use crate::core::ledger::Entry;

/// Measures further apart than this are not joined by a line, milliseconds (twice the shortest published reassessment
/// interval of 5 minutes, NASEMSO Model EMS Clinical Guidelines v3.0).
pub const GAP_MS: u64 = 600_000;

const WIDE: f64 = 720.0;
const NARROW: f64 = 328.0;
const LANE: f64 = 62.0;
const LEFT: f64 = 74.0;
const RIGHT: f64 = 16.0;
const MARK_ROWS: usize = 3;

/// The same chart at two widths, and its content in words.
#[derive(Clone, Debug, Serialize)]
pub struct Charts {
    pub wide: String,
    pub narrow: String,
    pub words: String,
}

/// Lower (diastolic) and main value of a finding.
type Reading = fn(&Finding) -> Option<(Option<f64>, f64)>;

struct Point {
    ms: u64,
    low: Option<f64>,
    value: Option<f64>,
    label: String,
    hollow: bool,
}

struct Lane {
    name: &'static str,
    unit: &'static str,
    points: Vec<Point>,
}

struct Mark {
    ms: u64,
    seq: u64,
}

/// Horizontal scale of one drawing.
struct Axis {
    from_ms: u64,
    to_ms: u64,
    width: f64,
}

impl Axis {
    fn x(&self, ms: u64) -> f64 {
        let span = (self.to_ms - self.from_ms).max(1) as f64;
        LEFT + (ms.saturating_sub(self.from_ms)) as f64 / span * (self.width - LEFT - RIGHT)
    }
}

/// Charts of one patient's vitals; `None` where nothing was measured.
pub fn charts(desk: &Desk, patient: i64, sets: &[Set]) -> Option<Charts> {
    let lanes = lanes(sets);
    if lanes.is_empty() {
        return None;
    }
    let given = marks(desk.call.standing(patient).filter(|e| is_mark(e)));
    let warned: Vec<Mark> = desk
        .call
        .advice()
        .filter(|(_, a)| a.priority >= Priority::Medium)
        .map(|(e, _)| Mark { ms: e.when.mono_ms, seq: e.seq })
        .collect();
    let words = lanes
        .iter()
        .map(|lane| {
            let values: Vec<&str> = lane.points.iter().take(40).map(|p| p.label.as_str()).collect();
            format!("{} ({}): {}", lane.name, lane.unit, values.join(", "))
        })
        .collect::<Vec<_>>()
        .join("; ");
    let draw = |width| Drawing { desk, lanes: &lanes, given: &given, warned: &warned, width }.svg(&words);
    Some(Charts { wide: draw(WIDE), narrow: draw(NARROW), words })
}

fn is_mark(entry: &Entry) -> bool {
    is_treatment(entry.finding.kind())
        && !matches!(entry.finding.kind(), Kind::MedicationPlanned | Kind::MedicationWithheld | Kind::Spinal)
}

fn marks<'a>(entries: impl Iterator<Item = &'a Entry>) -> Vec<Mark> {
    let mut marks: Vec<Mark> = entries.map(|e| Mark { ms: happened(e).mono_ms, seq: e.seq }).collect();
    marks.sort_by_key(|m| (m.ms, m.seq));
    marks
}

fn lanes(sets: &[Set]) -> Vec<Lane> {
    let lane = |name, unit, measure, value: Reading| {
        let mut points: Vec<Point> = sets.iter().flat_map(|s| s.get(measure)).filter_map(|e| point(e, value)).collect();
        points.sort_by_key(|p| p.ms);
        points.iter().any(|p| p.value.is_some()).then_some(Lane { name, unit, points })
    };
    [
        lane("Pulse", "/min", Measure::Pulse, |f| one(f, Field::RatePerMin)),
        lane("Pressure", "mmHg", Measure::Pressure, |f| {
            Some((f.number(Field::DiastolicMmhg).map(|d| d.as_f64()), f.number(Field::SystolicMmhg)?.as_f64()))
        }),
        lane("Saturation", "%", Measure::Saturation, |f| one(f, Field::Percent)),
        lane("Respirations", "/min", Measure::Respirations, |f| one(f, Field::RatePerMin)),
        lane("Glucose", "mg/dL", Measure::Glucose, |f| one(f, Field::MgPerDl)),
        lane("End-tidal CO2", "mmHg", Measure::EndTidalCo2, |f| one(f, Field::Mmhg)),
        lane("GCS", "of 15", Measure::Gcs, |f| one(f, Field::Total)),
        lane("Pain", "of 10", Measure::Pain, |f| one(f, Field::Score)),
    ]
    .into_iter()
    .flatten()
    .collect()
}

fn one(finding: &Finding, field: Field) -> Option<(Option<f64>, f64)> {
    Some((None, finding.number(field)?.as_f64()))
}

fn point(entry: &Entry, value: Reading) -> Option<Point> {
    let ms = happened(entry).mono_ms;
    if !obtained(&entry.finding) {
        return Some(Point { ms, low: None, value: None, label: "not obtained".into(), hollow: true });
    }
    let (low, high) = value(&entry.finding)?;
    let hollow = entry.unconfirmed() || entry.finding.flag(Field::Unchanged) == Some(true);
    let label = match (low, entry.finding.kind()) {
        (Some(low), _) => format!("{high}/{low}"),
        (None, Kind::BloodPressure) => format!("{high}/palp"),
        (None, _) => format!("{high}"),
    };
    let label = if entry.unconfirmed() { format!("{label}?") } else { label };
    Some(Point { ms, low, value: Some(high), label, hollow })
}

struct Drawing<'a> {
    desk: &'a Desk<'a>,
    lanes: &'a [Lane],
    given: &'a [Mark],
    warned: &'a [Mark],
    width: f64,
}

impl Drawing<'_> {
    fn svg(&self, words: &str) -> String {
        let all = || {
            let points = self.lanes.iter().flat_map(|l| l.points.iter().map(|p| p.ms));
            points.chain(self.given.iter().chain(self.warned).map(|m| m.ms))
        };
        let (from_ms, to_ms) = (all().min().unwrap_or(0), all().max().unwrap_or(0));
        let pad = ((to_ms - from_ms) / 20).max(15_000);
        let axis = Axis { from_ms: from_ms.saturating_sub(pad), to_ms: to_ms + pad, width: self.width };
        let rows = [("Given, done", self.given), ("Warnings", self.warned)];
        let rows: Vec<_> = rows.into_iter().filter(|(_, marks)| !marks.is_empty()).collect();
        let height = LANE * self.lanes.len() as f64 + 50.0 * rows.len() as f64 + 30.0;
        let mut out = String::new();
        let _ = write!(
            out,
            "<svg viewBox=\"0 0 {} {height}\" role=\"img\" aria-label=\"Vitals over time. {}\" \
             xmlns=\"http://www.w3.org/2000/svg\">",
            self.width,
            escape(words)
        );
        self.time_axis(&axis, height, &mut out);
        let mut top = 0.0;
        for lane in self.lanes {
            self.lane(lane, &axis, top, &mut out);
            top += LANE;
        }
        for (name, marks) in rows {
            self.mark_row(name, marks, &axis, top, &mut out);
            top += 50.0;
        }
        out.push_str("</svg>");
        out
    }

    fn time_axis(&self, axis: &Axis, height: f64, out: &mut String) {
        let Some(start) = self.desk.start else { return };
        let room = ((self.width - LEFT - RIGHT) / 58.0).max(2.0) as u64;
        let minutes = (axis.to_ms - axis.from_ms).div_ceil(60_000).max(1);
        let steps: [u64; 11] = [1, 2, 5, 10, 15, 30, 60, 120, 240, 480, 1440];
        let step = steps.into_iter().find(|s| minutes / s <= room).unwrap_or(10_080) as i64;
        // Ticks stand on full minutes of the wall clock.
        let offset = start.at.timestamp_millis() - start.mono_ms as i64;
        let first = (offset + axis.from_ms as i64).div_euclid(step * 60_000) + 1;
        let mut wall = first * step * 60_000;
        while wall <= offset + axis.to_ms as i64 {
            let ms = (wall - offset).max(0) as u64;
            let at = start.at + chrono::TimeDelta::milliseconds(wall - start.at.timestamp_millis());
            let x = axis.x(ms);
            let _ = write!(
                out,
                "<line class=\"grid\" x1=\"{x:.1}\" x2=\"{x:.1}\" y1=\"4\" y2=\"{:.0}\"/>\
                 <text class=\"tick\" x=\"{x:.1}\" y=\"{:.0}\" text-anchor=\"middle\">{}</text>",
                height - 18.0,
                height - 4.0,
                at.format("%H:%M")
            );
            wall += step * 60_000;
        }
    }

    fn lane(&self, lane: &Lane, axis: &Axis, top: f64, out: &mut String) {
        let values = || lane.points.iter().flat_map(|p| p.value.into_iter().chain(p.low));
        let (low, high) = values().fold((f64::MAX, f64::MIN), |(l, h), v| (l.min(v), h.max(v)));
        let margin = ((high - low) * 0.15).max(2.0);
        let (low, high) = ((low - margin).max(0.0), high + margin);
        let y = |v: f64| top + LANE - 10.0 - (v - low) / (high - low) * (LANE - 32.0);
        let base = top + LANE - 2.0;
        let _ = write!(
            out,
            "<line class=\"base\" x1=\"0\" x2=\"{:.0}\" y1=\"{base:.1}\" y2=\"{base:.1}\"/>\
             <text class=\"lane\" x=\"0\" y=\"{:.1}\">{}</text><text class=\"tick\" x=\"0\" y=\"{:.1}\">{}</text>",
            self.width,
            top + 26.0,
            lane.name,
            top + 41.0,
            lane.unit
        );
        for pair in lane.points.windows(2) {
            if let [a, b] = pair
                && let (Some(from), Some(to)) = (a.value, b.value)
                && lane.name != "Pressure"
                && b.ms - a.ms <= GAP_MS
            {
                let _ = write!(
                    out,
                    "<line class=\"link\" x1=\"{:.1}\" y1=\"{:.1}\" x2=\"{:.1}\" y2=\"{:.1}\"/>",
                    axis.x(a.ms),
                    y(from),
                    axis.x(b.ms),
                    y(to)
                );
            }
        }
        let mut free_from = f64::MIN;
        for point in &lane.points {
            let x = axis.x(point.ms);
            let Some(value) = point.value else {
                cross(x, top + LANE - 14.0, out);
                continue;
            };
            symbol(lane.name, x, y(value), point.low.map(&y), point.hollow, out);
            let half = point.label.len() as f64 * 3.4;
            let centre = x.clamp(LEFT - 6.0 + half, self.width - half);
            if centre - half > free_from {
                free_from = centre + half;
                let _ = write!(
                    out,
                    "<text class=\"value\" x=\"{centre:.1}\" y=\"{:.1}\" text-anchor=\"middle\">{}</text>",
                    y(value) - 7.0,
                    escape(&point.label)
                );
            }
        }
    }

    fn mark_row(&self, name: &str, marks: &[Mark], axis: &Axis, top: f64, out: &mut String) {
        let _ = write!(out, "<text class=\"lane\" x=\"0\" y=\"{:.1}\">{name}</text>", top + 20.0);
        let mut free = [f64::MIN; MARK_ROWS];
        for mark in marks {
            let x = axis.x(mark.ms);
            let label = format!("#{}", mark.seq);
            let width = label.len() as f64 * 6.8 + 10.0;
            // A label may lie left of its mark where the right edge is near.
            let from = x.min(self.width - width);
            let Some(row) = free.iter().position(|f| *f <= from) else { continue };
            if let Some(slot) = free.get_mut(row) {
                *slot = from + width + 3.0;
            }
            let y = top + 10.0 + row as f64 * 14.0;
            let shape = if name == "Warnings" {
                format!("M{x:.1} {:.1}l4 7h-8z", y - 5.0)
            } else {
                format!("M{x:.1} {:.1}l-4 -7h8z", y + 4.0)
            };
            let at = if from < x { from - 6.0 } else { x + 6.0 };
            let _ = write!(
                out,
                "<path class=\"mark\" d=\"{shape}\"/><text class=\"value\" x=\"{at:.1}\" y=\"{:.1}\">{label}</text>",
                y + 4.0
            );
        }
    }
}

fn symbol(lane: &str, x: f64, y: f64, low: Option<f64>, hollow: bool, out: &mut String) {
    let class = if hollow { "hollow" } else { "dot" };
    let _ = match (lane, low) {
        ("Pressure", Some(low)) => write!(
            out,
            "<path class=\"bar{}\" d=\"M{x:.1} {y:.1}V{low:.1}M{:.1} {y:.1}h8M{:.1} {low:.1}h8\"/>",
            if hollow { " dashed" } else { "" },
            x - 4.0,
            x - 4.0
        ),
        ("Pressure", None) => write!(out, "<path class=\"{class}\" d=\"M{:.1} {y:.1}h9l-4.5 7z\"/>", x - 4.5),
        ("Respirations" | "Pain", _) => {
            write!(out, "<rect class=\"{class}\" x=\"{:.1}\" y=\"{:.1}\" width=\"6\" height=\"6\"/>", x - 3.0, y - 3.0)
        }
        ("Saturation" | "GCS", _) => {
            write!(out, "<path class=\"{class}\" d=\"M{x:.1} {:.1}l4 4l-4 4l-4 -4z\"/>", y - 4.0)
        }
        _ => write!(out, "<circle class=\"{class}\" cx=\"{x:.1}\" cy=\"{y:.1}\" r=\"3.4\"/>"),
    };
}

fn cross(x: f64, y: f64, out: &mut String) {
    let _ = write!(out, "<path class=\"bar\" d=\"M{:.1} {:.1}l8 8m0 -8l-8 8\"/>", x - 4.0, y - 4.0);
}

/// Text made safe inside an attribute or an element.
pub fn escape(text: &str) -> String {
    let mut out = String::with_capacity(text.len());
    for c in text.chars() {
        match c {
            '&' => out.push_str("&amp;"),
            '<' => out.push_str("&lt;"),
            '>' => out.push_str("&gt;"),
            '"' => out.push_str("&quot;"),
            '\'' => out.push_str("&#39;"),
            c => out.push(c),
        }
    }
    out
}

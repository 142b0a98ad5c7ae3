//! Lays a [`Review`] out: one self-contained HTML page, or text for a terminal. The templates hold the layout.

use minijinja::syntax::SyntaxConfig;
use minijinja::value::Serde;
use minijinja::{AutoEscape, Environment, Value, context, escape_formatter};

use super::chart::escape;
use super::review::Review;
use super::wording::Wording;

const HTML: &str = include_str!("templates/review.html");
const STYLE: &str = include_str!("templates/style.css");
const TEXT: &str = include_str!("templates/review.txt");

/// Columns of a terminal page.
pub const COLUMNS: usize = 96;

/// The longest word, in characters, for which a column is widened; a chemical name has 20.
const LONG_WORD: usize = 22;

/// The page; needs no script and asks for nothing outside itself.
///
/// # Errors
/// A template that cannot be rendered: a defect of the program, never of the record.
pub fn html(review: &Review, wording: &Wording) -> Result<String, String> {
    render("review.html", HTML, review, wording)
}

/// The same content for a terminal.
///
/// # Errors
/// As [`html`].
pub fn text(review: &Review, wording: &Wording) -> Result<String, String> {
    let text = render("review.txt", TEXT, review, wording)?;
    // Blocks of the template leave runs of blank lines behind.
    let mut lines: Vec<&str> = Vec::new();
    for line in text.lines().map(str::trim_end) {
        if !(line.is_empty() && lines.last().is_none_or(|l| l.is_empty())) {
            lines.push(line);
        }
    }
    Ok(lines.join("\n").trim_end().to_string() + "\n")
}

fn render(name: &str, template: &str, review: &Review, wording: &Wording) -> Result<String, String> {
    let mut env = Environment::new();
    if let Ok(syntax) = SyntaxConfig::builder().trim_blocks(true).lstrip_blocks(true).build() {
        env.set_syntax(syntax);
    }
    // The engine would also write `/` as a character reference: `112/70` must stay findable in the page's source.
    env.set_formatter(|out, state, value| match state.auto_escape() {
        AutoEscape::Html if !value.is_safe() && !value.is_undefined() => {
            out.write_str(&escape(&value.to_string())).map_err(minijinja::Error::from)
        }
        _ => escape_formatter(out, state, value),
    });
    env.add_filter("wrap", |text: String, indent: usize| wrap(&text, indent, COLUMNS));
    env.add_filter("seqs", |seqs: Vec<u64>| seqs.iter().map(|s| format!("#{s}")).collect::<Vec<_>>().join(" "));
    env.add_filter("pad", |text: String, width: usize| pad(&text, width));
    let long = serde_json::to_value(review).is_ok_and(|json| has_long_word(&json));
    let fill = context! {
        long,
        r => Value::from(Serde(review)),
        t => Value::from(Serde(wording.phrases())),
        style => Value::from_safe_string(STYLE.to_string()),
    };
    env.add_template(name, template)
        .and_then(|()| env.get_template(name))
        .and_then(|template| template.render(fill))
        .map_err(|e| format!("the page `{name}` cannot be laid out: {e:#}"))
}

/// A word that no column can be made wide enough for; rules' names have a column that breaks anywhere.
fn has_long_word(json: &serde_json::Value) -> bool {
    use serde_json::Value as Json;
    match json {
        Json::String(text) => {
            text.split(|c: char| c.is_whitespace() || c == '-').any(|w| w.chars().count() > LONG_WORD)
        }
        Json::Array(items) => items.iter().any(has_long_word),
        Json::Object(map) => {
            map.iter().any(|(key, value)| !matches!(key.as_str(), "rule" | "chart") && has_long_word(value))
        }
        _ => false,
    }
}

/// Fills up with spaces to `width` characters.
fn pad(text: &str, width: usize) -> String {
    let have = text.chars().count();
    format!("{text}{}", " ".repeat(width.saturating_sub(have)))
}

/// Breaks at spaces so that no line passes `columns`; lines after the first begin with `indent` spaces.
pub fn wrap(text: &str, indent: usize, columns: usize) -> String {
    let room = columns.saturating_sub(indent).max(20);
    let mut out = String::new();
    let mut used = 0;
    for word in text.split_whitespace() {
        let width = word.chars().count();
        if used > 0 && used + 1 + width > room {
            out.push('\n');
            out.push_str(&" ".repeat(indent));
            used = 0;
        } else if used > 0 {
            out.push(' ');
            used += 1;
        }
        out.push_str(word);
        used += width;
    }
    out
}

//! Pages in a real Chromium, by its command line alone: measured inside a frame of a given width, printed, overheard.

use std::path::{Path, PathBuf};
use std::process::{Command, Output};

use serde_json::Value as Json;

/// Runs Chromium once with a profile of its own.
fn chromium(dir: &Path, more: &[String]) -> Output {
    let profile = tempfile::tempdir_in(dir).unwrap();
    let output = Command::new("chromium")
        .args([
            "--headless",
            "--no-sandbox",
            "--disable-gpu",
            "--disable-quic",
            "--no-first-run",
            "--disable-background-networking",
            "--disable-component-update",
            "--disable-sync",
            "--hide-scrollbars",
            "--enable-logging=stderr",
        ])
        .arg(format!("--user-data-dir={}", profile.path().display()))
        .args(more)
        .output();
    output.unwrap_or_else(|e| panic!("chromium cannot be started ({e}): apt-get install chromium"))
}

const BROWSERS_OWN: [&str; 3] = [".google.com/", ".googleapis.com/", ".gvt1.com/"];

/// What a page measures at one width.
#[derive(Debug)]
pub struct Measured {
    /// Width of the whole content, CSS pixels.
    pub content_width: u64,
    /// Elements that reach beyond the frame, or are squeezed into a column of single letters.
    pub beyond: Vec<String>,
    /// Texts with too little contrast (below 4.5 to 1, WCAG 2.1 success criterion 1.4.3).
    pub faint: Vec<String>,
    /// Words of ordinary length that stand on two lines: no hyphen, no space between.
    pub broken: Vec<String>,
    pub background: String,
    pub headings: Vec<String>,
}

const SCRIPT: &str = r#"
const frame = document.querySelector('iframe');
frame.addEventListener('load', () => {
  const page = frame.contentDocument, view = frame.contentWindow, width = frame.clientWidth;
  const name = (e) => e.tagName + ' ' + (e.className.baseVal ?? e.className) + ' ' + e.textContent.trim().slice(0, 60);
  const rgb = (text) => (text.match(/[\d.]+/g) || []).map(Number);
  const light = (c) => { const [r, g, b] = c.slice(0, 3).map((v) => v / 255).map((v) => v <= 0.03928 ? v / 12.92 : ((v + 0.055) / 1.055) ** 2.4); return 0.2126 * r + 0.7152 * g + 0.0722 * b; };
  const ground = (e) => { for (; e; e = e.parentElement) { const c = rgb(view.getComputedStyle(e).backgroundColor); if (c.length === 3 || c[3] > 0) return c; } return [255, 255, 255]; };
  const beyond = [], faint = [], broken = [];
  const texts = page.createTreeWalker(page.body, 4);
  for (let t = texts.nextNode(); t; t = texts.nextNode()) for (const word of t.data.matchAll(/[\p{L}\d]{4,}/gu)) {
    if (word[0].length > 22) continue;
    if (t.parentElement.closest('svg,thead,td.id')) { if (!t.parentElement.closest('thead') || width < 700) continue; }
    const range = page.createRange(); range.setStart(t, word.index); range.setEnd(t, word.index + word[0].length);
    if (new Set([...range.getClientRects()].map((r) => Math.round(r.top))).size > 1) broken.push(word[0]);
  }
  for (const e of page.body.querySelectorAll('*')) {
    const box = e.getBoundingClientRect(), style = view.getComputedStyle(e);
    const head = e.closest('thead');
    // Headings of a table laid out as a list are there for a screen reader alone.
    if (box.width === 0 || style.position === 'absolute' || (head && view.getComputedStyle(head).position === 'absolute')) continue;
    const line = parseFloat(style.lineHeight) || 20;
    if (e.textContent.trim().length > 12 && box.width < 40 && box.height > 5 * line) beyond.push('squeezed: ' + name(e));
    if (box.right > width + 1 || box.left < -1) beyond.push(name(e));
    const own = [...e.childNodes].some((n) => n.nodeType === 3 && n.textContent.trim());
    if (own) {
      const svg = e instanceof view.SVGElement;
      const a = light(rgb(svg ? style.fill : style.color)), b = light(ground(e));
      if ((Math.max(a, b) + 0.05) / (Math.min(a, b) + 0.05) < 4.5) faint.push(name(e));
    }
  }
  const out = { content_width: page.documentElement.scrollWidth, beyond: beyond.slice(0, 20), faint: faint.slice(0, 20), broken,
    background: view.getComputedStyle(page.body).backgroundColor,
    headings: [...page.querySelectorAll('h1,h2,h3')].map((h) => h.tagName + ' ' + h.textContent) };
  const pre = document.createElement('pre'); pre.id = 'out'; pre.textContent = JSON.stringify(out);
  document.body.replaceChildren(pre);
});
"#;

/// Loads the page in a frame `width` CSS pixels wide and looks at every element.
pub fn measure(dir: &Path, html: &str, width: u32, dark: bool) -> Measured {
    let scheme = if dark { "dark" } else { "light" };
    let page = html.replace('&', "&amp;").replace('"', "&quot;");
    let wrapper = format!(
        "<!DOCTYPE html><meta charset=utf-8><body style=\"margin:0\"><script>addEventListener('DOMContentLoaded',()=>{{\
         {SCRIPT} frame.srcdoc=document.getElementById('page').value}})</script>\
         <iframe style=\"width:{width}px;height:900px;border:0;color-scheme:{scheme}\"></iframe>\
         <textarea id=page style=\"display:none\">{page}</textarea></body>"
    );
    let path = dir.join(format!("wrapper-{width}-{scheme}.html"));
    std::fs::write(&path, wrapper).unwrap();
    let mut flags = vec!["--dump-dom".into(), "--virtual-time-budget=5000".into(), "--window-size=1400,1000".into()];
    if dark {
        flags.push("--blink-settings=preferredColorScheme=0".into());
    }
    flags.push(format!("file://{}", path.display()));
    let output = chromium(dir, &flags);
    let dom = String::from_utf8_lossy(&output.stdout).to_string();
    let json = dom.split("<pre id=\"out\">").nth(1).and_then(|rest| rest.split("</pre>").next());
    let json =
        json.unwrap_or_else(|| panic!("no measurement in the page: {}", dom.chars().take(400).collect::<String>()));
    let json = json.replace("&lt;", "<").replace("&gt;", ">").replace("&amp;", "&");
    let value: Json = serde_json::from_str(&json).unwrap();
    let list =
        |key: &str| value[key].as_array().unwrap().iter().map(|v| v.as_str().unwrap().to_string()).collect::<Vec<_>>();
    Measured {
        content_width: value["content_width"].as_u64().unwrap(),
        beyond: list("beyond"),
        faint: list("faint"),
        broken: list("broken"),
        background: value["background"].as_str().unwrap().into(),
        headings: list("headings"),
    }
}

/// Opens the page as a user would: what the console said, and every address that was asked for.
pub fn overhear(dir: &Path, page: &Path) -> (Vec<String>, Vec<String>) {
    let log = dir.join("net.json");
    let output = chromium(
        dir,
        &[
            format!("--log-net-log={}", log.display()),
            "--net-log-capture-mode=Everything".into(),
            format!("--screenshot={}", dir.join("shot.png").display()),
            format!("file://{}", page.display()),
        ],
    );
    let said = String::from_utf8_lossy(&output.stderr);
    let console = said.lines().filter(|l| l.contains("CONSOLE")).map(str::to_string).collect();
    let net = std::fs::read_to_string(&log).unwrap();
    let mut asked: Vec<String> = net
        .split("\"url\":\"")
        .skip(1)
        .filter_map(|rest| rest.split('"').next())
        .filter(|url| !url.starts_with("file:") && !url.starts_with("data:") && !url.starts_with("chrome"))
        // Chromium itself asks its maker for the time, updates and accounts; the page's source names no such host.
        .filter(|url| !BROWSERS_OWN.iter().any(|host| url.contains(host)))
        .map(str::to_string)
        .collect();
    asked.dedup();
    (console, asked)
}

/// Prints the page; gives the PDF's path.
pub fn print(dir: &Path, page: &Path) -> PathBuf {
    let pdf = dir.join("page.pdf");
    chromium(
        dir,
        &[
            "--no-pdf-header-footer".into(),
            format!("--print-to-pdf={}", pdf.display()),
            format!("file://{}", page.display()),
        ],
    );
    assert!(pdf.exists(), "chromium printed nothing");
    pdf
}

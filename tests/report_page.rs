//! The timeline as a page: what must be on it, in the source and (in a full build) in a real browser.

#[cfg(feature = "voice")]
#[path = "report/browser.rs"]
mod browser;
#[path = "report/mod.rs"]
mod report;

use report::{HARD_TEXTS, data, fixture, fixtures, html, random_record, text};

/// Tags that are open or closed in the wrong order; void elements and the doctype stand alone.
fn unbalanced(html: &str) -> Option<String> {
    let void = ["meta", "br", "line", "circle", "rect", "path"];
    let mut open: Vec<String> = Vec::new();
    for tag in html.split('<').skip(1) {
        let Some((inside, _)) = tag.split_once('>') else { return Some(format!("never ended: <{tag}")) };
        let name = inside.trim_start_matches('/').split([' ', '\n']).next().unwrap_or("").trim_end_matches('/');
        if inside.starts_with('!') || inside.ends_with('/') || void.contains(&name) {
            continue;
        }
        if inside.starts_with('/') {
            if open.pop().as_deref() != Some(name) {
                return Some(format!("</{name}> closes nothing"));
            }
        } else {
            open.push(name.to_string());
        }
    }
    open.pop().map(|name| format!("<{name}> is never closed"))
}

#[test]
fn the_page_stands_alone() {
    let data = data();
    for name in fixtures() {
        let page = html(&fixture(&name), &data);
        assert!(!page.contains("<script"), "{name}: a script got in");
        for word in ["http://", "https://", "src=", "@import", "url("] {
            let page = page.replace("xmlns=\"http://www.w3.org/2000/svg\"", "");
            assert!(!page.contains(word), "{name}: `{word}` points outside");
        }
        assert_eq!(unbalanced(&page), None, "{name}");
        assert!(page.contains(thirdhand::core::CAUTION.split('.').next().unwrap()), "{name}: the caution is missing");
    }
}

#[test]
fn page_and_text_say_the_same() {
    let data = data();
    let events = fixture("chest-pain");
    let (page, text) = (html(&events, &data), text(&events, &data));
    let flat = text.split_whitespace().collect::<Vec<_>>().join(" ");
    for words in [
        "112/70 mmHg",
        "104/palp mmHg",
        "118/min, irregular, weak",
        "was 18/min, irregular, weak; now 118/min, irregular, weak",
        "91 %, on room air (UNCONFIRMED)",
        "said: no change, not measured",
        "not obtained (equipment)",
        "aspirin 324 mg",
        "nitroglycerin 0.4 mg sublingual",
        "Hold nitroglycerin: sildenafil within twelve hours.",
        "nitroglycerin-pde5",
        "Nitrostat label, US prescribing information",
        "acknowledged at 14:03:36",
        "penicillin (per patient)",
        "no nausea",
        "5:55",
        "not asked or not recorded",
        "not examined or not said",
        "microphone lost",
    ] {
        assert!(page.contains(words), "the page lacks `{words}`");
        assert!(flat.contains(words), "the text lacks `{words}`");
    }
    assert!(page.contains("&lt;b&gt;mumble&lt;/b&gt;"), "markup is shown as it was said");
    let order = |words: &str| page.find(words).unwrap_or_else(|| panic!("`{words}` is missing"));
    let sections =
        ["id=\"sign\"", "id=\"times\"", "Sets of vitals", "id=\"advice\"", "id=\"corrections\"", "id=\"unmatched\""];
    assert!(sections.windows(2).all(|w| order(w[0]) < order(w[1])), "before you sign comes first");
}

#[test]
fn before_you_sign_names_what_a_person_must_settle() {
    let data = data();
    let sign = |name: &str| {
        let text = text(&fixture(name), &data);
        let from = text.find("BEFORE YOU SIGN").unwrap();
        let to = text.find("TIMES AND INTERVALS").unwrap();
        text[from..to].split_whitespace().collect::<Vec<_>>().join(" ")
    };
    let items = sign("chest-pain");
    for words in [
        "Not confirmed: Oxygen saturation: 91 %",
        "Said to be unchanged, not measured: Respirations: 18/min",
        "Not asked or not recorded: Past history",
        "not repeated by a second voice: Home medication: lisinopril",
        "Times not recorded: transfer of care",
        "microphone lost",
    ] {
        assert!(items.contains(words), "`{words}` is not in: {items}");
    }
    assert!(!items.contains("penicillin"), "a second voice repeated it");
    assert!(!items.contains("nitroglycerin 0.4"), "the plan was closed by withholding");
    assert!(sign("only-corrections").contains("never closed"));
    assert!(sign("open-plan").contains("never said to be given or withheld: Planned: aspirin 324 mg"));
}

/// The first complaint that was named stands in for a chief complaint that nobody called so, under its own name.
#[test]
fn a_symptom_stands_in_for_the_chief_complaint_and_a_denied_one_does_not() {
    let data = data();
    let mut events = fixture("open-plan");
    let mut add = |json: serde_json::Value| {
        let seq = events.len() as u64 + 1;
        let mut json = json;
        json["seq"] = seq.into();
        events.push(thirdhand::core::event::Event::from_json(&json).unwrap());
        text(&events, &data)
    };
    let symptom = |name: &str, present: bool| {
        serde_json::json!({"at": "2027-03-01T14:09:00.000-05:00", "mono_ms": 540_000, "kind": "finding",
            "finding": {"finding": "symptom", "name": name, "present": present}})
    };
    let denied = add(symptom("nausea", false));
    assert!(denied.contains("Chief complaint: not asked or not recorded"), "{denied}");
    let said = add(symptom("chest_pain", true));
    assert!(said.contains("Chief complaint: Symptom: chest pain"), "{said}");
    let sign: String = said.split("TIMES AND").next().unwrap().split_whitespace().collect::<Vec<_>>().join(" ");
    assert!(!sign.contains("recorded: Chief complaint"), "{sign}");
}

#[test]
fn every_event_that_is_shown_carries_its_number() {
    let data = data();
    for name in fixtures() {
        let events = fixture(&name);
        let page = html(&events, &data);
        for event in events.iter().filter(|e| matches!(e.body.kind(), "finding" | "advice" | "corrected" | "retracted"))
        {
            assert!(page.contains(&format!(">#{}<", event.seq)), "{name}: #{} is not in the margin", event.seq);
        }
    }
}

#[test]
fn any_record_gives_a_whole_page() {
    let data = data();
    for seed in 0..40 {
        let page = html(&random_record(seed, 60), &data);
        assert_eq!(unbalanced(&page), None, "seed {seed}");
        for hard in HARD_TEXTS.iter().filter(|t| t.contains('<')) {
            assert!(!page.contains(hard), "seed {seed}: markup got through");
        }
        assert!(!page.contains('\u{202e}'), "seed {seed}: a direction mark got through");
    }
    assert!(html(&[], &data).contains("Nothing was recorded"));
}

#[test]
fn a_record_of_ten_thousand_events() {
    let data = data();
    let events = random_record(3, 10_000);
    let page = html(&events, &data);
    assert_eq!(unbalanced(&page), None);
    // Which kind the very last event is depends on the dice; the last finding must be there.
    let last = events.iter().rfind(|e| e.body.kind() == "finding").unwrap().seq;
    assert!(last > 9_900 && page.contains(&format!(">#{last}<")), "#{last} is not on the page");
    assert!(text(&events, &data).lines().count() > 5_000);
}

#[cfg(feature = "voice")]
mod in_chromium {
    use std::process::Command;

    use super::browser::{measure, overhear, print};
    use super::*;

    /// Phone, A4 at 96 dots an inch less its margins, a wide window. Light and dark.
    #[test]
    fn no_width_overflows_and_every_text_can_be_read() {
        let data = data();
        let dir = tempfile::tempdir().unwrap();
        let pages = fixtures().into_iter().map(|name| (html(&fixture(&name), &data), name));
        // Every measure there is, so the widest table.
        let many = std::iter::once((html(&random_record(3, 400), &data), "random".to_string()));
        for (page, name) in pages.chain(many) {
            for (width, dark) in [(360, false), (360, true), (703, false), (1280, true)] {
                let seen = measure(dir.path(), &page, width, dark);
                assert!(seen.content_width <= u64::from(width), "{name} at {width}: {seen:?}");
                assert!(seen.beyond.is_empty(), "{name} at {width}: {:?}", seen.beyond);
                assert!(seen.broken.is_empty() || name == "random", "{name} at {width}: {:?}", seen.broken);
                assert!(seen.faint.is_empty(), "{name} at {width}, dark {dark}: {:?}", seen.faint);
                let ground = if dark { "rgb(13, 17, 20)" } else { "rgb(255, 255, 255)" };
                assert_eq!(seen.background, ground, "{name} at {width}, dark {dark}");
                assert_eq!(seen.headings.iter().filter(|h| h.starts_with("H1")).count(), 1);
                assert_eq!(seen.headings.get(1).map(String::as_str), Some("H2 Before you sign"));
            }
        }
    }

    #[test]
    fn the_measuring_sees_an_overflow_and_faint_text() {
        let dir = tempfile::tempdir().unwrap();
        let page = "<!DOCTYPE html><html><body><h1>x</h1><p style=\"width:500px;color:#ccc\">wide and faint</p>\
             <p style=\"width:30px;overflow-wrap:anywhere\">responsiveness</p></body></html>";
        let seen = measure(dir.path(), page, 360, false);
        assert!(!seen.beyond.is_empty() && !seen.faint.is_empty(), "{seen:?}");
        assert_eq!(seen.broken, ["responsiveness"]);
    }

    #[test]
    fn nothing_is_asked_for_and_the_console_is_silent() {
        let data = data();
        let dir = tempfile::tempdir().unwrap();
        for name in ["chest-pain", "hard-text"] {
            let path = dir.path().join(format!("{name}.html"));
            std::fs::write(&path, html(&fixture(name), &data)).unwrap();
            let (console, asked) = overhear(dir.path(), &path);
            assert!(console.is_empty(), "{name}: {console:?}");
            assert!(asked.is_empty(), "{name}: {asked:?}");
        }
        // The overhearing itself must be able to hear.
        let loud = dir.path().join("loud.html");
        std::fs::write(&loud, "<script>console.log('x');fetch('http://127.0.0.1:9/y')</script>").unwrap();
        let (console, asked) = overhear(dir.path(), &loud);
        assert!(!console.is_empty() && asked.iter().any(|u| u.contains("127.0.0.1:9")), "{console:?} {asked:?}");
    }

    #[test]
    fn on_paper_it_is_a4_and_complete() {
        let data = data();
        let dir = tempfile::tempdir().unwrap();
        let path = dir.path().join("page.html");
        std::fs::write(&path, html(&fixture("chest-pain"), &data)).unwrap();
        let pdf = print(dir.path(), &path);
        let run = |program: &str, more: &[&str]| {
            let output = Command::new(program).arg(&pdf).args(more).output().unwrap();
            String::from_utf8_lossy(&output.stdout).to_string()
        };
        let info = run("pdfinfo", &[]);
        assert!(info.contains("A4"), "{info}");
        let words = run("pdftotext", &["-layout", "-"]);
        for text in ["Before you sign", "112/70", "Hold nitroglycerin", "#43", "Everything in order"] {
            assert!(words.contains(text), "`{text}` is not on paper");
        }
    }
}

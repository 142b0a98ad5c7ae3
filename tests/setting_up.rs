//! What a person meets when setting the program up: settings, completions, manual pages, the service unit, `doctor`.
//! Nothing here needs a model, sound or network.

use std::path::Path;
use std::process::{Command, Output};

fn thirdhand(home: &Path, args: &[&str]) -> Output {
    Command::new(env!("CARGO_BIN_EXE_thirdhand"))
        .args(args)
        .env_clear()
        .env("PATH", std::env::var_os("PATH").unwrap_or_default())
        .env("HOME", home)
        .env("XDG_CONFIG_HOME", home.join("config"))
        .env("XDG_CONFIG_DIRS", home.join("system"))
        .env("XDG_DATA_HOME", home.join("data"))
        .env("XDG_RUNTIME_DIR", home.join("run"))
        .output()
        .expect("the program starts")
}

fn home() -> tempfile::TempDir {
    let home = tempfile::tempdir().expect("a folder can be made");
    for dir in ["config/thirdhand", "system/thirdhand", "data", "run"] {
        std::fs::create_dir_all(home.path().join(dir)).expect("a folder can be made");
    }
    home
}

fn stdout(output: &Output) -> String {
    String::from_utf8_lossy(&output.stdout).into_owned()
}

#[test]
fn config_show_says_where_each_value_comes_from() {
    let home = home();
    std::fs::write(
        home.path().join("system/thirdhand/config.toml"),
        "[record]\nunit = \"Unit 7\"\n[voice]\nrate = 5\n",
    )
    .unwrap();
    std::fs::write(home.path().join("config/thirdhand/config.toml"), "[voice]\nrate = -10\n").unwrap();
    let output = thirdhand(home.path(), &["config", "show"]);
    let text = stdout(&output);
    let line = |key: &str| text.lines().find(|line| line.starts_with(key)).unwrap_or_default().to_string();
    assert_eq!(output.status.code(), Some(0));
    assert!(
        line("voice.rate").contains("-10") && line("voice.rate").ends_with("config/thirdhand/config.toml:2"),
        "{text}"
    );
    assert!(
        line("record.unit").contains("Unit 7") && line("record.unit").ends_with("system/thirdhand/config.toml:2"),
        "{text}"
    );
    assert!(line("voice.engine").ends_with("# default"), "{text}");
}

#[test]
fn an_unknown_key_is_refused_with_its_place_and_a_suggestion() {
    let home = home();
    std::fs::write(home.path().join("config/thirdhand/config.toml"), "[voice]\nvolum = 5\n").unwrap();
    let output = thirdhand(home.path(), &["config", "show"]);
    let text = String::from_utf8_lossy(&output.stderr).into_owned();
    assert_eq!(output.status.code(), Some(1));
    assert!(text.contains("config.toml:2:1") && text.contains("did you mean `voice.volume`?"), "{text}");
}

#[test]
fn the_file_that_init_writes_is_accepted() {
    let home = home();
    let file = thirdhand(home.path(), &["config", "init"]);
    std::fs::write(home.path().join("config/thirdhand/config.toml"), &file.stdout).unwrap();
    let output = thirdhand(home.path(), &["config", "show"]);
    assert_eq!(output.status.code(), Some(0), "{}", String::from_utf8_lossy(&output.stderr));
}

#[test]
fn completions_know_the_subcommands_and_bash_accepts_them() {
    let home = home();
    for shell in ["bash", "zsh", "fish"] {
        let text = stdout(&thirdhand(home.path(), &["completions", shell]));
        assert!(text.contains("listen") && text.contains("doctor"), "{shell}");
    }
    let script = home.path().join("thirdhand.bash");
    std::fs::write(&script, thirdhand(home.path(), &["completions", "bash"]).stdout).unwrap();
    let status = Command::new("bash").arg("-n").arg(&script).status();
    assert!(status.is_ok_and(|s| s.success()), "bash does not accept the script");
    assert_eq!(thirdhand(home.path(), &["completions", "nosuch"]).status.code(), Some(2));
    let of = |shell: &str| stdout(&thirdhand(home.path(), &["completions", shell]));
    // What follows `*::` is files to zsh, to the end of the line: `export RECORD --format` offered no format.
    assert!(of("zsh").contains("'*:records") && !of("zsh").contains("'*::"));
    let fish = of("fish");
    let voice = fish.lines().filter(|line| line.contains("-l voice"));
    assert!(
        voice.clone().count() > 0 && voice.clone().all(|line| line.contains("auto")),
        "{:?}",
        voice.collect::<Vec<_>>()
    );
    // fish is told of the words that an argument may be, too.
    assert!(
        fish.lines()
            .any(|line| line.contains("subcommand completions") && line.ends_with("bash elvish fish powershell zsh\""))
    );
}

#[test]
fn every_subcommand_has_a_manual_page() {
    let home = home();
    let dir = home.path().join("man");
    std::fs::create_dir(&dir).unwrap();
    let output = thirdhand(home.path(), &["man", &dir.display().to_string()]);
    assert_eq!(output.status.code(), Some(0), "{}", String::from_utf8_lossy(&output.stderr));
    for page in ["thirdhand.1", "thirdhand-listen.1", "thirdhand-doctor.1", "thirdhand-replay.1"] {
        let text = std::fs::read_to_string(dir.join(page)).unwrap_or_default();
        assert!(text.contains(".SH EXAMPLES") && !text.contains(".SH EXTRA") && text.contains("thirdhand"), "{page}");
    }
    assert!(!dir.join("thirdhand-recogniser.1").exists(), "hidden commands have no page");
}

#[test]
fn doctor_finds_nothing_on_a_bare_machine_and_says_what_to_do() {
    let home = home();
    let output = thirdhand(home.path(), &["doctor", "--json"]);
    assert_eq!(output.status.code(), Some(1));
    let lines: Vec<serde_json::Value> =
        stdout(&output).lines().map(|line| serde_json::from_str(line).expect("JSON Lines alone")).collect();
    for check in ["model", "microphone", "voice", "data", "disk", "clock"] {
        assert!(lines.iter().any(|line| line["check"] == check), "`{check}` is not looked at");
    }
    for line in &lines {
        let state = line["state"].as_str().unwrap_or_default();
        assert!(["good", "warn", "bad"].contains(&state), "{line}");
        assert!(state == "good" || line["remedy"].as_str().is_some_and(|r| !r.is_empty()), "no remedy: {line}");
    }
    let model = lines.iter().find(|line| line["check"] == "model").expect("looked at above");
    assert_eq!(model["state"], "bad", "no model is in this home");
    let data = lines.iter().find(|line| line["check"] == "data").expect("looked at above");
    assert_eq!(data["state"], "good", "{data}");
    let told = String::from_utf8_lossy(&output.stderr);
    assert!(!told.contains("ALSA"), "nothing but our own lines: {told}");
    let left: Vec<_> = std::fs::read_dir(home.path().join("data")).unwrap().collect();
    assert!(left.is_empty(), "doctor changes nothing: {left:?}");
}

#[test]
fn systemd_accepts_the_service_unit() {
    let unit = Path::new(env!("CARGO_MANIFEST_DIR")).join("share/systemd/thirdhand.service");
    let text = std::fs::read_to_string(&unit).expect("the unit is in the repository");
    for wanted in [
        "Type=notify",
        "WatchdogSec=",
        "RestrictAddressFamilies=AF_UNIX",
        "Restart=on-failure",
        "StartLimitIntervalSec=0",
    ] {
        assert!(text.contains(wanted), "{wanted}");
    }
    // The program's place on this machine stands for the installed one.
    let dir = tempfile::tempdir().unwrap();
    let copy = dir.path().join("thirdhand.service");
    std::fs::write(&copy, text.replace("/usr/bin/thirdhand", env!("CARGO_BIN_EXE_thirdhand"))).unwrap();
    let output = Command::new("systemd-analyze")
        .args(["verify", "--user", "--man=no"])
        .arg(&copy)
        .env("XDG_RUNTIME_DIR", dir.path())
        .env("HOME", dir.path())
        .output();
    match output {
        Err(_) => eprintln!("systemd unit: skipped: `systemd-analyze` is not installed"),
        Ok(output) => {
            let text = String::from_utf8_lossy(&output.stderr).into_owned();
            if text.contains("Failed to initialize manager") || text.contains("Failed to create") {
                return eprintln!("systemd unit: skipped: {text}");
            }
            let about_ours: Vec<&str> = text.lines().filter(|line| line.contains("thirdhand")).collect();
            assert!(output.status.success() && about_ours.is_empty(), "{text}");
        }
    }
}

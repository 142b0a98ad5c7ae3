//! The template language: one line of text becomes a small tree. `grammars/README.md` is its page for people.
//!
//! `word` itself; `[a b]` optional; `(a|b)` alternatives; `{slot}` or `{field:source}` a value; `<rule>` a named piece.

/// A parsed template. Offsets are bytes into the template's text, for complaints.
#[derive(Clone, Debug, PartialEq)]
pub enum Piece {
    /// A run of literal words, spelled as written.
    Words(String),
    Sequence(Vec<Piece>),
    Choice(Vec<Piece>),
    Optional(Box<Piece>),
    /// No pause stands here.
    NoPause,
    Slot {
        name: String,
        source: Option<String>,
        offset: usize,
    },
    Rule {
        name: String,
        offset: usize,
    },
}

/// What is wrong with a template, and where.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Fault {
    pub offset: usize,
    pub message: String,
    pub hint: String,
}

/// Deepest nesting of brackets.
const DEPTH: usize = 12;

pub fn parse(text: &str) -> Result<Piece, Fault> {
    let mut reader = Reader { text, at: 0 };
    let piece = reader.choice(0)?;
    match reader.peek() {
        None => Ok(piece),
        Some(other) => Err(reader.fault(
            format!("`{other}` closes nothing"),
            "every `)`, `]`, `}` and `>` needs its opening partner before it",
        )),
    }
}

struct Reader<'a> {
    text: &'a str,
    at: usize,
}

impl Reader<'_> {
    fn peek(&self) -> Option<char> {
        self.text.get(self.at..)?.chars().next()
    }

    fn fault(&self, message: impl Into<String>, hint: &str) -> Fault {
        Fault { offset: self.at, message: message.into(), hint: hint.into() }
    }

    fn choice(&mut self, depth: usize) -> Result<Piece, Fault> {
        if depth > DEPTH {
            return Err(self.fault("brackets are nested too deeply", "give the inner part a name under [rule]"));
        }
        let mut ways = vec![self.sequence(depth)?];
        while self.peek() == Some('|') {
            self.at += 1;
            ways.push(self.sequence(depth)?);
        }
        Ok(if ways.len() == 1 { ways.remove(0) } else { Piece::Choice(ways) })
    }

    fn sequence(&mut self, depth: usize) -> Result<Piece, Fault> {
        let mut items = Vec::new();
        loop {
            match self.peek() {
                None | Some('|' | ')' | ']' | '}' | '>') => break,
                Some('[') => items.push(Piece::Optional(Box::new(self.bracket(']', depth)?))),
                Some('(') => items.push(self.bracket(')', depth)?),
                Some('{') => items.push(self.slot()?),
                Some('<') => items.push(self.rule()?),
                Some('~') => {
                    self.at += 1;
                    items.push(Piece::NoPause);
                }
                Some(c) if c.is_whitespace() => self.at += c.len_utf8(),
                Some(_) => items.push(self.words()),
            }
        }
        Ok(if items.len() == 1 { items.remove(0) } else { Piece::Sequence(items) })
    }

    fn bracket(&mut self, close: char, depth: usize) -> Result<Piece, Fault> {
        let start = self.at;
        self.at += 1;
        let inner = self.choice(depth + 1)?;
        if self.peek() != Some(close) {
            self.at = start;
            let open = self.peek().unwrap_or(' ');
            return Err(self.fault(format!("`{open}` is never closed"), &format!("write `{close}` where it ends")));
        }
        self.at += 1;
        if matches!(&inner, Piece::Sequence(items) if items.is_empty()) {
            self.at = start;
            return Err(self.fault("nothing stands between the brackets", "leave the brackets out"));
        }
        Ok(inner)
    }

    fn named(&mut self, close: char, what: &str) -> Result<(String, usize), Fault> {
        let start = self.at;
        self.at += 1;
        let rest = self.text.get(self.at..).unwrap_or("");
        let Some(length) = rest.find(close) else {
            self.at = start;
            return Err(self.fault(format!("the {what} is never closed"), &format!("write `{close}` where it ends")));
        };
        let name = rest.get(..length).unwrap_or("").trim().to_string();
        let legal = |c: char| c.is_ascii_lowercase() || c.is_ascii_digit() || c == '_' || c == ':';
        if name.is_empty() || !name.chars().all(legal) {
            self.at = start;
            return Err(self.fault(format!("`{name}` is no name of a {what}"), "names are a-z, 0-9 and _"));
        }
        self.at += length + close.len_utf8();
        Ok((name, start))
    }

    fn slot(&mut self) -> Result<Piece, Fault> {
        let (name, offset) = self.named('}', "slot")?;
        let (name, source) = match name.split_once(':') {
            Some((field, source)) => (field.to_string(), Some(source.to_string())),
            None => (name, None),
        };
        Ok(Piece::Slot { name, source, offset })
    }

    fn rule(&mut self) -> Result<Piece, Fault> {
        let (name, offset) = self.named('>', "rule")?;
        Ok(Piece::Rule { name, offset })
    }

    fn words(&mut self) -> Piece {
        let rest = self.text.get(self.at..).unwrap_or("");
        let length = rest.find(['[', ']', '(', ')', '{', '}', '<', '>', '|', '~']).unwrap_or(rest.len());
        self.at += length;
        Piece::Words(rest.get(..length).unwrap_or("").trim().to_string())
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_template_is_a_tree() {
        let piece = parse("pulse [is] (at|of) {rate_per_min}").unwrap();
        let Piece::Sequence(items) = piece else { panic!("{piece:?}") };
        assert_eq!(items.len(), 4);
        assert!(matches!(&items[3], Piece::Slot { name, source: None, .. } if name == "rate_per_min"));
    }

    #[test]
    fn faults_say_where() {
        for (text, offset) in [("a [b", 2), ("a b)", 3), ("x {", 2), ("x <Y>", 2), ("()", 0)] {
            assert_eq!(parse(text).unwrap_err().offset, offset, "{text}");
        }
    }
}

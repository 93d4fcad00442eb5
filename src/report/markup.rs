//! Writes HTML: what is ours as it stands, everything else escaped.

use super::phrases::runs;
use super::value::{StripDay, Verdict};
use super::words::plain;

/// A page in the making.
#[derive(Debug, Default)]
pub struct Markup {
    out: String,
}

impl Markup {
    /// The page.
    pub fn end(self) -> String {
        self.out
    }

    /// Our own markup. A name from outside lives too short to come in here.
    pub fn raw(&mut self, markup: &'static str) -> &mut Self {
        self.out.push_str(markup);
        self
    }

    /// Any text, in an element or in a quoted attribute; what would act is shown as [`plain`] shows it.
    pub fn text(&mut self, text: &str) -> &mut Self {
        for c in plain(text).chars() {
            match c {
                '&' => self.out.push_str("&amp;"),
                '<' => self.out.push_str("&lt;"),
                '>' => self.out.push_str("&gt;"),
                '"' => self.out.push_str("&quot;"),
                '\'' => self.out.push_str("&#39;"),
                other => self.out.push(other),
            }
        }
        self
    }

    /// A sentence: what stands between two backticks is to be typed or to be looked for as it stands.
    pub fn prose(&mut self, text: &str) -> &mut Self {
        let mut rest = text;
        while let Some((before, (code, after))) =
            rest.split_once('`').and_then(|(before, rest)| Some((before, rest.split_once('`')?)))
        {
            self.text(before).raw("<code>").text(code).raw("</code>");
            rest = after;
        }
        self.text(rest)
    }

    /// Text between an opening and a closing tag, and a line break.
    pub fn element(&mut self, open: &'static str, text: &str, close: &'static str) -> &mut Self {
        self.raw(open).text(text).raw(close).raw("\n")
    }

    /// A verdict's shape; its word stands beside it.
    pub fn mark(&mut self, verdict: Verdict) -> &mut Self {
        self.raw("<svg class=\"mark\" aria-hidden=\"true\"><use href=\"#")
            .raw(symbol(verdict))
            .raw("\"/></svg>")
    }

    /// The mark of a loss, with its word for those who hear the page.
    pub fn loss(&mut self) -> &mut Self {
        self.raw(
            "<svg class=\"mark loss\" role=\"img\"><title>data lost</title><use href=\"#m-lost\"/></svg>&nbsp;",
        )
    }

    /// The last days, oldest first, this one at the right end; `words` says the same.
    pub fn strip(&mut self, days: &[StripDay], words: &str) -> &mut Self {
        self.raw("<svg class=\"strip\" viewBox=\"0 0 166 18\" role=\"img\"><title>")
            .text(words)
            .raw("</title>");
        let days = &days[days.len().saturating_sub(PLACES.len())..];
        for (day, place) in days.iter().zip(&PLACES[PLACES.len() - days.len()..]) {
            self.raw("<use href=\"#").raw(day.verdict.map_or("m-none", symbol));
            self.raw("\" y=\"8\" width=\"10\" height=\"10\" x=\"").raw(place).raw("\"/>");
            if day.lost {
                self.raw("<use class=\"loss\" href=\"#m-lost\" width=\"7\" height=\"7\" y=\"0\" x=\"")
                    .raw(place)
                    .raw("\"/>");
            }
        }
        self.raw("</svg>")
    }

    /// The hours of a day, the first one left: with data, lacking it, asleep or unknown. `words` says the same.
    pub fn hours(&mut self, each: &str, words: &str) -> &mut Self {
        self.raw("<svg class=\"hours\" viewBox=\"0 0 150 8\" role=\"img\"><title>")
            .text(words)
            .raw("</title>");
        self.raw("<path fill-rule=\"evenodd\" d=\"").text(&outline(each)).raw("\"/></svg>")
    }
}

/// The outline of hours, six wide each and eight high.
pub fn outline(each: &str) -> String {
    let mut path = String::new();
    for (how, from, to) in runs(each) {
        let (x, end) = (6 * from, 6 * to);
        let full = |top: usize| format!("M{x} {top}H{end}V8H{x}z");
        path += &match how {
            'd' => full(0),
            'm' => format!("{}M{} 1V7H{}V1z", full(0), x + 1, end - 1),
            's' => full(7),
            _ => (from..to).map(|nth| format!("M{} 3h2v2h-2z", 6 * nth + 2)).collect(),
        };
    }
    path
}

/// Where the days of a strip begin.
const PLACES: [&str; 14] =
    ["0", "12", "24", "36", "48", "60", "72", "84", "96", "108", "120", "132", "144", "156"];

fn symbol(verdict: Verdict) -> &'static str {
    match verdict {
        Verdict::Complete => "m-complete",
        Verdict::Away => "m-away",
        Verdict::Elsewhere => "m-elsewhere",
        Verdict::Unknown => "m-unknown",
        Verdict::Incomplete => "m-incomplete",
        Verdict::NoData => "m-no-data",
        Verdict::NotSeen => "m-not-seen",
    }
}

/// The shapes, drawn once on a page in a square of ten, in the colour of the text around them.
pub const SHAPES: &str = r##"<svg width="0" height="0" aria-hidden="true" class="shapes">
<symbol id="m-complete" viewBox="0 0 10 10"><path d="M0 0h10v10H0z"/></symbol>
<symbol id="m-incomplete" viewBox="0 0 10 10"><path d="M0 0h10v10H0zM5 1v8h4V1z" fill-rule="evenodd"/></symbol>
<symbol id="m-no-data" viewBox="0 0 10 10"><path d="M0 0h10v10H0zM1 1.2v1.9h8V1.2zM1 4.1v1.8h8V4.1zM1 6.9v1.9h8V6.9z" fill-rule="evenodd"/></symbol>
<symbol id="m-not-seen" viewBox="0 0 10 10"><path d="M0 0h10v10H0zM1 1v8h8V1z" fill-rule="evenodd"/></symbol>
<symbol id="m-elsewhere" viewBox="0 0 10 10"><path d="M5 0l5 5-5 5-5-5zM5 1.6L1.6 5 5 8.4 8.4 5z" fill-rule="evenodd"/></symbol>
<symbol id="m-away" viewBox="0 0 10 10"><path d="M1 4.4h8v1.2H1z"/></symbol>
<symbol id="m-unknown" viewBox="0 0 10 10"><path d="M2.2 3a2.8 2.6 0 0 1 5.6 0c0 1.9-2.1 2-2.1 3.8H4.3c0-2.5 2.1-2.6 2.1-3.8a1.4 1.3 0 0 0-2.8 0zM4.2 8h1.6v1.7H4.2z"/></symbol>
<symbol id="m-lost" viewBox="0 0 10 10"><path d="M5 .5l5 9H0z"/></symbol>
<symbol id="m-none" viewBox="0 0 10 10"><path d="M4 4h2v2H4z"/></symbol>
</svg>
"##;

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn nothing_from_outside_is_markup() {
        let mut page = Markup::default();
        page.text("<script>alert('x')</script> & \"y\" \u{202e}gol\x07");
        assert_eq!(
            page.end(),
            "&lt;script&gt;alert(&#39;x&#39;)&lt;/script&gt; &amp; &quot;y&quot; \\u{202e}gol\\u{7}"
        );
    }

    #[test]
    fn what_is_to_be_typed_is_code_and_a_backtick_alone_is_one() {
        let mut page = Markup::default();
        page.prose("run `yarder adopt <a>`. It's `open");
        assert_eq!(page.end(), "run <code>yarder adopt &lt;a&gt;</code>. It&#39;s `open");
    }

    #[test]
    fn every_shape_that_is_used_is_drawn() {
        for verdict in Verdict::ALL {
            assert!(SHAPES.contains(&format!("id=\"{}\"", symbol(verdict))), "{verdict:?}");
        }
        assert!(SHAPES.contains("id=\"m-lost\"") && SHAPES.contains("id=\"m-none\""));
    }
}

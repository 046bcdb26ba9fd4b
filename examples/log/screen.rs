//! Where rows, notes and the state go: a live table, plain lines, or JSON.

use std::io::{self, IsTerminal, Write};
use std::time::Duration;

use ratatui::DefaultTerminal;
use ratatui::crossterm::event::{self, Event, KeyCode, KeyEventKind, KeyModifiers};
use tickover::framing::Instant;
use tickover::session::{Report, Row};

use crate::live::Live;
use crate::row_json;
use crate::table::draw;
use crate::units::Units;

/// Where text goes.
pub(crate) struct Streams<'a> {
    /// Rows as JSON, and nothing else.
    pub(crate) rows: &'a mut dyn Write,
    /// Everything else.
    pub(crate) words: &'a mut dyn Write,
}

impl Streams<'_> {
    /// Says something beside the rows.
    pub(crate) fn say(&mut self, text: &str) {
        // Whoever has stopped reading wants no more.
        let _ = writeln!(self.words, "{text}");
    }
}

/// The live table, plain lines, or JSON.
pub(crate) enum Screen {
    Table(Box<DefaultTerminal>),
    Lines,
    Json,
}

impl Screen {
    /// JSON if asked for, the table on a terminal, plain lines otherwise.
    pub(crate) fn open(json: bool) -> io::Result<Self> {
        Ok(match (json, io::stdout().is_terminal()) {
            (true, _) => Self::Json,
            (false, true) => Self::Table(Box::new(ratatui::try_init()?)),
            (false, false) => Self::Lines,
        })
    }

    /// How often [`tick`](Self::tick) is wanted.
    pub(crate) const fn period(&self) -> Duration {
        match self {
            Self::Table(_) => Duration::from_millis(100),
            Self::Lines | Self::Json => Duration::from_secs(1),
        }
    }

    pub(crate) fn row(&mut self, out: &mut Streams<'_>, row: &Row, start: Instant, units: &Units) -> io::Result<()> {
        match self {
            Self::Table(_) | Self::Lines => Ok(()),
            Self::Json => writeln!(out.rows, "{}", row_json::row(row, start, units)),
        }
    }

    pub(crate) fn note(&mut self, out: &mut Streams<'_>, note: &str) -> io::Result<()> {
        match self {
            Self::Table(_) => Ok(()),
            Self::Lines | Self::Json => writeln!(out.words, "{note}"),
        }
    }

    /// Shows the state of now; `false` if the user wants to end.
    pub(crate) fn tick(
        &mut self,
        out: &mut Streams<'_>,
        live: &mut Live,
        report: &Report,
        now: Instant,
    ) -> io::Result<bool> {
        match self {
            Self::Json => Ok(true),
            Self::Lines => {
                let line = format!("{}   {}", live.state(report, now), live.brief(now));
                writeln!(out.words, "{}", line.trim_end())?;
                Ok(true)
            }
            Self::Table(terminal) => {
                let go_on = keys(live)?;
                terminal.draw(|frame| draw(frame, &live.view(report, now)))?;
                Ok(go_on)
            }
        }
    }

    /// Gives the terminal back.
    pub(crate) fn close(&mut self) {
        if let Self::Table(_) = self {
            // A terminal that has gone needs nothing back.
            let _ = ratatui::try_restore();
        }
    }
}

/// A panic elsewhere must not leave the terminal raw.
impl Drop for Screen {
    fn drop(&mut self) {
        self.close();
    }
}

/// Takes the keys pressed so far; `false`: end. A raw terminal makes no signal of Ctrl-C.
fn keys(live: &mut Live) -> io::Result<bool> {
    while event::poll(Duration::ZERO)? {
        let Event::Key(key) = event::read()? else { continue };
        if key.kind != KeyEventKind::Press {
            continue;
        }
        match key.code {
            KeyCode::Char('c') if key.modifiers.contains(KeyModifiers::CONTROL) => return Ok(false),
            KeyCode::Char('q') | KeyCode::Esc => return Ok(false),
            KeyCode::Char('r') => live.reset(),
            KeyCode::Up => live.scroll(-1),
            KeyCode::Down => live.scroll(1),
            KeyCode::PageUp => live.scroll(-10),
            KeyCode::PageDown => live.scroll(10),
            _ => {}
        }
    }
    Ok(true)
}

//! Types, names and units. Goes on after a mistake, so that one run shows all of them.

use core::ops::Range;
use std::borrow::ToOwned;
use std::boxed::Box;
use std::format;
use std::string::{String, ToString};
use std::vec::Vec;

use super::ast::{Ast, Kind, operator};
use super::error::{FormulaError, Rule};
use super::fold;
use super::functions::{Arity, Callee, FUNCTIONS, named};
use super::names::{Input, Name, Names};
use super::term::Term;
use crate::compiled::{Binary, Function, Unary};
use crate::model::nearest;
use crate::number::Exact;
use crate::unit::{Fraction, Quantity, UnitCode, same_dimension};
use crate::value::Invalid;

pub(super) struct Checker<'a> {
    pub(super) names: &'a dyn Names,
    pub(super) errors: Vec<FormulaError>,
}

/// A number with the unit that its names fix, if they do.
type Number = (Term, Option<UnitCode>);

/// What can stand beside `==`.
enum Side {
    Number(Number),
    Literal(String),
    Channel(Input),
}

impl Checker<'_> {
    /// A number; `None` after a mistake, which is noted.
    pub(super) fn number(&mut self, ast: &Ast) -> Option<Number> {
        match &ast.kind {
            Kind::Number(exact) => Some((Term::Exact(*exact), None)),
            Kind::Raw => self.raw(&ast.span),
            Kind::Name(name) => match self.name(name, &ast.span)? {
                Side::Channel(input) => self.channel_number(input, name, &ast.span),
                Side::Number(number) => Some(number),
                Side::Literal(_) => None,
            },
            Kind::Unary(Unary::Negate, operand) => {
                let (term, unit) = self.number(operand)?;
                Some((fold::negate(term), unit))
            }
            Kind::Binary(binary, left, right) if is_arithmetic(*binary) => self.arithmetic(*binary, left, right, ast),
            Kind::Call { name, arguments } => self.call(name, arguments, ast),
            Kind::If(condition, then, otherwise) => {
                let condition = self.truth(condition);
                let (then_number, else_number) = (self.number(then), self.number(otherwise));
                let ((then_term, then_unit), (else_term, else_unit)) = (then_number?, else_number?);
                let unit = self.one_unit(&[(then_unit, then), (else_unit, otherwise)])?;
                Some((fold::choice(condition?, then_term, else_term), unit))
            }
            Kind::Invalid(reason) => Some((Term::Invalid(reason.clone()), None)),
            Kind::Text(_) => {
                self.mistake(Rule::Type, &ast.span, "a text is no number", "a text only beside `==` or `!=`")
            }
            Kind::Unary(Unary::Not, _) | Kind::Binary(..) => self.mistake(
                Rule::Type,
                &ast.span,
                "this is a truth, not a number",
                "`if ... then 1 else 0` to count it",
            ),
        }
    }

    /// A number, or the name of any channel; `None` after a mistake, which is noted.
    pub(super) fn value(&mut self, ast: &Ast) -> Option<Number> {
        let Kind::Name(name) = &ast.kind else { return self.number(ast) };
        match self.name(name, &ast.span)? {
            Side::Channel(input) => Some((Term::Channel(input.id), input.unit)),
            Side::Number(number) => Some(number),
            Side::Literal(_) => None,
        }
    }

    /// A truth; `None` after a mistake, which is noted.
    pub(super) fn truth(&mut self, ast: &Ast) -> Option<Term> {
        match &ast.kind {
            Kind::Unary(Unary::Not, operand) => Some(fold::not(self.truth(operand)?)),
            Kind::Binary(binary @ (Binary::And | Binary::Or), left, right) => {
                let (left, right) = (self.truth(left), self.truth(right));
                Some(fold::logic(*binary, left?, right?))
            }
            Kind::Binary(binary, left, right) if !is_arithmetic(*binary) => self.comparison(*binary, left, right),
            Kind::If(condition, then, otherwise) => {
                let (condition, then, otherwise) = (self.truth(condition), self.truth(then), self.truth(otherwise));
                Some(fold::choice(condition?, then?, otherwise?))
            }
            Kind::Invalid(reason) => Some(Term::Invalid(reason.clone())),
            Kind::Call { name, arguments } => match named(name) {
                Some((Callee::Function(Function::Bit) | Callee::Supported, _)) => self.truth_call(name, arguments, ast),
                _ => self.not_a_truth(ast),
            },
            _ => self.not_a_truth(ast),
        }
    }

    // ---- names

    fn raw(&mut self, span: &Range<usize>) -> Option<Number> {
        match self.names.resolve("raw") {
            Some(Name::Raw) => Some((Term::Raw, None)),
            _ => self.mistake(
                Rule::UnknownName,
                span,
                "there is no `raw` here",
                "the names of channels, or of the parts that a formula joins",
            ),
        }
    }

    fn name(&mut self, name: &str, span: &Range<usize>) -> Option<Side> {
        match self.names.resolve(name) {
            Some(Name::Raw) => Some(Side::Number((Term::Raw, None))),
            Some(Name::Part(part)) => Some(Side::Number((Term::Part(part), None))),
            Some(Name::Channel(input)) => Some(Side::Channel(input)),
            Some(Name::Array { elements, here }) => match here.and_then(|here| elements.into_iter().nth(here)) {
                Some(input) => Some(Side::Channel(input)),
                None => {
                    let message = format!("`{name}` is a whole array");
                    self.mistake(
                        Rule::Type,
                        span,
                        message,
                        "one element by its name; a whole array only in `min` and `max`",
                    )
                }
            },
            Some(Name::Curve(_)) => {
                let message = format!("`{name}` is a curve");
                self.mistake(Rule::Type, span, message, format!("`{name}(...)` with the number to look up"))
            }
            None if named(name).is_some() => {
                let message = format!("`{name}` is a function");
                self.mistake(Rule::Type, span, message, format!("`{name}(...)` with its arguments"))
            }
            None => self.unknown(name, span),
        }
    }

    fn unknown<T>(&mut self, name: &str, span: &Range<usize>) -> Option<T> {
        let near = self.names.nearest(name);
        let expected = match near.as_slice() {
            [] => String::new(),
            names => format!("a name that exists here, such as {}", quoted(names)),
        };
        let error = FormulaError::new(Rule::UnknownName, span.clone(), format!("nothing is called `{name}` here"));
        self.errors.push(error.expected(expected).suggest(near.into_iter().next()));
        None
    }

    fn channel_number(&mut self, input: Input, name: &str, span: &Range<usize>) -> Option<Number> {
        if let Some(unit) = input.unit {
            return Some((Term::Channel(input.id), Some(unit)));
        }
        let expected = match input.states.first() {
            Some(state) => format!("a comparison with one of its states: `{name} == '{state}'`"),
            None => format!("a comparison with a text: `{name} == '...'`"),
        };
        self.mistake(Rule::Type, span, format!("`{name}` is a text, not a number"), expected)
    }

    // ---- operators

    fn arithmetic(&mut self, binary: Binary, left: &Ast, right: &Ast, whole: &Ast) -> Option<Number> {
        let (a, b) = (self.number(left), self.number(right));
        let ((a, a_unit), (b, b_unit)) = (a?, b?);
        let unit = match binary {
            Binary::Add | Binary::Subtract => {
                let unit = self.one_unit(&[(a_unit, left), (b_unit, right)])?;
                // Two points on a temperature scale differ by kelvins.
                let points = binary == Binary::Subtract && a_unit.is_some() && b_unit.is_some();
                unit.filter(|unit| !(points && Quantity::of(*unit) == Some(Quantity::Temperature)))
            }
            _ => None,
        };
        match fold::arithmetic(binary, a, b) {
            Ok(term) => Some((term, unit)),
            Err(reason) => self.no_value(&reason, &whole.span),
        }
    }

    fn comparison(&mut self, binary: Binary, left: &Ast, right: &Ast) -> Option<Term> {
        let (a, b) = (self.side(left), self.side(right));
        let (a, b) = (a?, b?);
        match (a, b) {
            (Side::Channel(input), Side::Literal(text)) => self.state(binary, &input, text, left, right),
            (Side::Literal(text), Side::Channel(input)) => self.state(binary, &input, text, right, left),
            (Side::Literal(a), Side::Literal(b)) => {
                self.only_equality(binary, left)?;
                Some(fold::compare(binary, Term::Text(a), Term::Text(b)))
            }
            (Side::Number(_), Side::Literal(_)) => {
                self.mistake(Rule::Type, &right.span, "a number is compared with a text", "a number")
            }
            (Side::Literal(_), Side::Number(_)) => {
                self.mistake(Rule::Type, &left.span, "a number is compared with a text", "a number")
            }
            (a, b) => {
                let (a, b) = (self.side_number(a, left), self.side_number(b, right));
                let ((a, a_unit), (b, b_unit)) = (a?, b?);
                self.one_unit(&[(a_unit, left), (b_unit, right)])?;
                Some(fold::compare(binary, a, b))
            }
        }
    }

    fn side(&mut self, ast: &Ast) -> Option<Side> {
        match &ast.kind {
            Kind::Text(text) => Some(Side::Literal(text.clone())),
            Kind::Name(name) => self.name(name, &ast.span),
            _ => self.number(ast).map(Side::Number),
        }
    }

    fn side_number(&mut self, side: Side, ast: &Ast) -> Option<Number> {
        match (side, &ast.kind) {
            (Side::Number(number), _) => Some(number),
            (Side::Channel(input), Kind::Name(name)) => self.channel_number(input, name, &ast.span),
            _ => None,
        }
    }

    /// A channel beside a text: free text, or one of its states.
    fn state(&mut self, binary: Binary, input: &Input, text: String, channel: &Ast, literal: &Ast) -> Option<Term> {
        self.only_equality(binary, literal)?;
        if !input.text && input.states.is_empty() {
            let message = format!("`{channel}` is a number, not a text");
            return self.mistake(Rule::Type, &literal.span, message, "a number");
        }
        if !input.text && !input.states.contains(&text) {
            let nearest = nearest(&text, input.states.iter().map(String::as_str))
                .or_else(|| input.states.first().map(String::as_str));
            let error = FormulaError::new(
                Rule::UnknownState,
                literal.span.clone(),
                format!("`{channel}` has no state '{text}'"),
            );
            let states: Vec<String> = input.states.iter().map(|state| format!("'{state}'")).collect();
            let suggestion = nearest.map(|state| format!("'{state}'"));
            self.errors.push(error.expected(format!("one of {}", states.join(", "))).suggest(suggestion));
            return None;
        }
        Some(Term::Binary(binary, Box::new(Term::Channel(input.id)), Box::new(Term::Text(text))))
    }

    fn only_equality(&mut self, binary: Binary, at: &Ast) -> Option<()> {
        match binary {
            Binary::Equal | Binary::NotEqual => Some(()),
            _ => {
                let message = format!("texts have no order for `{}`", operator(binary).0);
                self.mistake(Rule::Type, &at.span, message, "`==` or `!=`")
            }
        }
    }

    // ---- calls

    fn call(&mut self, name: &str, arguments: &[Ast], whole: &Ast) -> Option<Number> {
        let name_span = &(whole.span.start..whole.span.start + name.len());
        let (function, arity) = match (self.names.resolve(name), named(name)) {
            (Some(Name::Curve(curve)), _) => {
                self.count(name, 1, arguments, &whole.span)?;
                let (argument, _) = self.number(arguments.first()?)?;
                return Some((Term::Curve(curve, Box::new(argument)), None));
            }
            (_, Some((Callee::Function(Function::Bit) | Callee::Supported, _))) => {
                let message = format!("`{name}` gives a truth, not a number");
                return self.mistake(Rule::Type, &whole.span, message, "`if ... then 1 else 0` to count it");
            }
            (_, Some((Callee::Rate, _))) => {
                self.count(name, 1, arguments, &whole.span)?;
                let input = self.channel_argument(name, arguments.first()?)?;
                let Kind::Name(channel) = &arguments.first()?.kind else { return None };
                self.channel_number(input.clone(), channel, &arguments.first()?.span)?;
                return Some((Term::Rate(input.id), None));
            }
            (_, Some((Callee::Function(function), arity))) => (function, arity),
            (Some(_), None) => {
                let message = format!("`{name}` is neither a function nor a curve");
                return self.mistake(Rule::Type, name_span, message, "a function or a curve before `(`");
            }
            (None, None) => return self.unknown_callee(name, name_span),
        };
        let numbers = match arity {
            Arity::Exactly(count) => {
                self.count(name, count, arguments, &whole.span)?;
                self.numbers(arguments)?
            }
            Arity::Several => self.several(name, arguments, &whole.span)?,
        };
        let units: Vec<_> = numbers.iter().map(|((_, unit), ast)| (*unit, *ast)).collect();
        let unit = match function {
            Function::Sqrt | Function::Exp | Function::Ln | Function::Log10 | Function::Bit => None,
            _ => self.one_unit(&units)?,
        };
        match fold::call(function, numbers.into_iter().map(|((term, _), _)| term).collect()) {
            Ok(term) => Some((term, unit)),
            Err(reason) => self.no_value(&reason, &whole.span),
        }
    }

    fn truth_call(&mut self, name: &str, arguments: &[Ast], whole: &Ast) -> Option<Term> {
        if name == "supported" {
            self.count(name, 1, arguments, &whole.span)?;
            return self.channel_argument(name, arguments.first()?).map(|input| Term::Supported(input.id));
        }
        self.count(name, 2, arguments, &whole.span)?;
        let numbers = self.numbers(arguments)?;
        match fold::call(Function::Bit, numbers.into_iter().map(|((term, _), _)| term).collect()) {
            Ok(term) => Some(term),
            Err(reason) => self.no_value(&reason, &whole.span),
        }
    }

    fn numbers<'t>(&mut self, arguments: &'t [Ast]) -> Option<Vec<(Number, &'t Ast)>> {
        let read: Vec<_> = arguments.iter().map(|ast| self.number(ast).map(|number| (number, ast))).collect();
        read.into_iter().collect()
    }

    /// Arguments of `min` and `max`: numbers, and whole arrays element by element.
    fn several<'t>(
        &mut self,
        name: &str,
        arguments: &'t [Ast],
        whole: &Range<usize>,
    ) -> Option<Vec<(Number, &'t Ast)>> {
        let mut numbers = Vec::new();
        let mut arrays = false;
        for argument in arguments {
            match self.array(argument) {
                Some((array, elements)) => {
                    arrays = true;
                    for input in elements {
                        let number = self.channel_number(input, &array, &argument.span)?;
                        numbers.push((number, argument));
                    }
                }
                None => numbers.push((self.number(argument)?, argument)),
            }
        }
        if !arrays && numbers.len() < 2 {
            let message = format!("`{name}` needs something to choose from");
            return self.mistake(Rule::Arguments, whole, message, "two numbers or more, or a whole array");
        }
        Some(numbers)
    }

    fn array(&self, argument: &Ast) -> Option<(String, Vec<Input>)> {
        let Kind::Name(name) = &argument.kind else { return None };
        match self.names.resolve(name) {
            Some(Name::Array { elements, .. }) => Some((name.clone(), elements)),
            _ => None,
        }
    }

    fn channel_argument(&mut self, function: &str, argument: &Ast) -> Option<Input> {
        let expected = "the name of a channel";
        if let Kind::Name(name) = &argument.kind
            && let Side::Channel(input) = self.name(name, &argument.span)?
        {
            return Some(input);
        }
        self.mistake(Rule::Type, &argument.span, format!("`{function}` asks about a channel"), expected)
    }

    fn count(&mut self, name: &str, count: usize, arguments: &[Ast], span: &Range<usize>) -> Option<()> {
        if arguments.len() == count {
            return Some(());
        }
        let noun = if count == 1 { "argument" } else { "arguments" };
        let message = format!("`{name}` takes {count} {noun}, not {}", arguments.len());
        self.mistake(Rule::Arguments, span, message, "")
    }

    fn unknown_callee<T>(&mut self, name: &str, span: &Range<usize>) -> Option<T> {
        match nearest(name, FUNCTIONS) {
            Some(function) => {
                let error = FormulaError::new(
                    Rule::UnknownName,
                    span.clone(),
                    format!("no function or curve is called `{name}`"),
                );
                self.errors.push(error.suggest(Some(function)));
                None
            }
            None => self.unknown(name, span),
        }
    }

    // ---- units and mistakes

    /// The one unit of names that are added, subtracted, compared or chosen from.
    fn one_unit(&mut self, operands: &[(Option<UnitCode>, &Ast)]) -> Option<Option<UnitCode>> {
        let mut known = operands.iter().filter_map(|(unit, ast)| Some(((*unit)?, *ast)));
        let Some((unit, _)) = known.next() else {
            return Some(None);
        };
        let Some((other, ast)) = known.find(|(other, _)| *other != unit) else {
            return Some(Some(unit));
        };
        let message = format!("`{}` meets `{}` here", unit.code(), other.code());
        let error = FormulaError::new(Rule::Unit, ast.span.clone(), message);
        let factor = factor(other, unit).filter(|_| matches!(ast.kind, Kind::Name(_)));
        let suggestion = factor.map(|factor| format!("{ast} * {factor}"));
        self.errors.push(error.expected(format!("a number in `{}`", unit.code())).suggest(suggestion));
        None
    }

    fn not_a_truth<T>(&mut self, ast: &Ast) -> Option<T> {
        // What is wrong inside comes first: a wrong name is no wrong type.
        let before = self.errors.len();
        let states = match &ast.kind {
            Kind::Name(name) => match self.name(name, &ast.span) {
                Some(Side::Channel(input)) => input.states,
                _ => Vec::new(),
            },
            Kind::Text(_) => Vec::new(),
            _ => self.number(ast).map(|_| Vec::new())?,
        };
        if self.errors.len() > before {
            return None;
        }
        let expected = match states.first() {
            Some(state) => format!("a comparison with one of its states: `{ast} == '{state}'`"),
            None => "a comparison".to_owned(),
        };
        self.mistake(Rule::Type, &ast.span, "this is not a truth", expected)
    }

    fn no_value<T>(&mut self, reason: &Invalid, span: &Range<usize>) -> Option<T> {
        self.mistake(Rule::NoValue, span, format!("this constant has no value: {reason}"), "")
    }

    fn mistake<T>(
        &mut self,
        rule: Rule,
        span: &Range<usize>,
        message: impl Into<String>,
        expected: impl Into<String>,
    ) -> Option<T> {
        self.errors.push(FormulaError::new(rule, span.clone(), message).expected(expected));
        None
    }
}

/// What a number in one unit is multiplied by to be in the other, where no zero is shifted.
fn factor(from: UnitCode, to: UnitCode) -> Option<Exact> {
    let (a, b) = (from.unit()?, to.unit()?);
    let fraction = |f: Fraction| Exact::new(f.numerator.into(), f.denominator.into());
    let unshifted = a.offset.numerator == 0 && b.offset.numerator == 0;
    if unshifted && same_dimension(from, to) { fraction(a.factor)?.over(fraction(b.factor)?) } else { None }
}

fn is_arithmetic(binary: Binary) -> bool {
    use Binary::{Add, Divide, Modulo, Multiply, Power, Subtract};
    matches!(binary, Add | Subtract | Multiply | Divide | Modulo | Power)
}

fn quoted(names: &[String]) -> String {
    let quoted: Vec<String> = names.iter().take(3).map(|name| format!("`{name}`")).collect();
    quoted.join(", ").to_string()
}

//! Any tree is printed and read back as itself; any value that comes out is finite.

use std::boxed::Box;
use std::format;
use std::string::{String, ToString};
use std::vec::Vec;

use proptest::prelude::*;

use super::world::World;
use crate::compiled::{Binary, Unary};
use crate::formula::{Ast, Kind, Wanted, compile, parse};
use crate::number::{Exact, decimal};

fn ast(kind: Kind) -> Ast {
    Ast { span: 0..0, kind }
}

fn literal() -> impl Strategy<Value = Kind> {
    prop_oneof![
        (0u64..100_000).prop_map(|whole| Kind::Number(Exact::whole(i128::from(whole)).unwrap())),
        (0u32..10_000, 0u32..10_000)
            .prop_map(|(whole, part)| { Kind::Number(decimal(&format!("{whole}.{part:04}")).unwrap().value) }),
    ]
}

fn leaf() -> impl Strategy<Value = Kind> {
    let names = prop::sample::select(Vec::from(["engine_speed", "coolant", "knock.1", "manifold", "gear", "x_1.fl.2"]));
    prop_oneof![
        literal(),
        Just(Kind::Raw),
        names.prop_map(|name| Kind::Name(name.into())),
        "[ -&(-~]{0,6}".prop_map(Kind::Text),
    ]
}

fn binary() -> impl Strategy<Value = Binary> {
    use Binary::*;
    let all = [
        Add,
        Subtract,
        Multiply,
        Divide,
        Modulo,
        Power,
        Less,
        LessOrEqual,
        Greater,
        GreaterOrEqual,
        Equal,
        NotEqual,
        And,
        Or,
    ];
    prop::sample::select(all.to_vec())
}

/// Any tree of the grammar, well typed or not.
fn tree() -> impl Strategy<Value = Ast> {
    leaf().prop_map(ast).prop_recursive(6, 60, 3, |inner| {
        let boxed = inner.clone().prop_map(Box::new);
        prop_oneof![
            (binary(), boxed.clone(), boxed.clone()).prop_map(|(op, a, b)| Kind::Binary(op, a, b)),
            boxed.clone().prop_map(|a| Kind::Unary(Unary::Negate, a)),
            boxed.clone().prop_map(|a| Kind::Unary(Unary::Not, a)),
            (boxed.clone(), boxed.clone(), boxed.clone()).prop_map(|(a, b, c)| Kind::If(a, b, c)),
            "[a-z ]{0,8}".prop_map(Kind::Invalid),
            (prop::sample::select(crate::formula::FUNCTIONS.to_vec()), prop::collection::vec(inner, 1..4))
                .prop_map(|(name, arguments)| Kind::Call { name: name.into(), arguments }),
        ]
        .prop_map(ast)
    })
}

/// Well-typed formulas over numbers.
fn sensible() -> impl Strategy<Value = String> {
    let leaf = prop_oneof![
        Just("raw".to_string()),
        Just("engine_speed".to_string()),
        (0u32..1000).prop_map(|n| n.to_string()),
        (0u32..100, 1u32..1000).prop_map(|(a, b)| format!("{a}.{b:03}")),
    ];
    leaf.prop_recursive(5, 40, 3, |inner| {
        let op = prop::sample::select(Vec::from(["+", "-", "*", "/", "mod", "^"]));
        let function = prop::sample::select(Vec::from(["abs", "floor", "ceil", "round", "sqrt", "exp", "ln", "log10"]));
        prop_oneof![
            (inner.clone(), op, inner.clone()).prop_map(|(a, op, b)| format!("({a}) {op} ({b})")),
            (function, inner.clone()).prop_map(|(f, a)| format!("{f}({a})")),
            (inner.clone(), inner.clone(), inner.clone())
                .prop_map(|(a, b, c)| format!("if {a} < {b} then {b} else {c}")),
            (inner.clone(), inner.clone()).prop_map(|(a, b)| format!("min({a}, {b}, raw)")),
            inner.prop_map(|a| format!("-({a})")),
        ]
    })
}

proptest! {
    #[test]
    fn a_tree_is_printed_and_read_back(tree in tree()) {
        let text = tree.to_string();
        let read = parse(&text);
        prop_assert_eq!(read.as_ref(), Ok(&tree), "{}", text);
    }

    #[test]
    fn any_text_is_read_or_refused_inside_itself(text in "[ -~°\n]{0,40}") {
        if let Err(errors) = parse(&text) {
            for error in errors {
                prop_assert!(error.span.start <= error.span.end && error.span.end <= text.len());
                prop_assert!(text.is_char_boundary(error.span.start) && text.is_char_boundary(error.span.end));
            }
        }
    }

    #[test]
    fn any_tree_compiles_or_is_refused(tree in tree()) {
        let text = tree.to_string();
        for wanted in [Wanted::Number, Wanted::Truth] {
            if let Err(errors) = compile(&text, &World::new(), wanted) {
                prop_assert!(!errors.is_empty(), "{}", text);
            }
        }
    }

    /// The body of the fuzz target, on texts that mostly compile.
    #[test]
    fn whatever_the_other_channels_hold_no_number_is_a_nan(head in any::<[u8; 8]>(), text in sensible(), tree in tree()) {
        for text in [text, tree.to_string()] {
            crate::fuzzing::formula(&[&head, text.as_bytes()].concat());
        }
    }

    #[test]
    fn a_number_that_comes_out_is_finite(text in sensible(), raw in any::<i64>()) {
        let world = World::new();
        if let Ok(compiled) = world.compile(&text) {
            let content = crate::decode::field::Content::Whole(i128::from(raw));
            if let Ok(number) = world.evaluation(&compiled, crate::decode::Given::Raw(&content)).number() {
                prop_assert!(number.is_finite(), "{}", text);
            }
        }
    }
}

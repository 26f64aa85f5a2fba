use super::{Fault, Formula, FormulaError, Formulae, Function, Node, Scope, Span, What};
use crate::chemistry::formula_mass::AtomicWeights;
use crate::results::{Dimension, Kind, Quantity, Source, Sources, Uncertain, Unit};
use proptest::prelude::*;
use std::collections::BTreeMap;

fn value(text: &str) -> f64 {
    Formula::parse(text).unwrap_or_else(|e| panic!("{text}: {e}")).evaluate(&Scope::default()).unwrap().value
}

fn known() -> BTreeMap<String, Dimension> {
    [
        ("V", Dimension::VOLUME),
        ("V_blank", Dimension::VOLUME),
        ("c", Dimension::CONCENTRATION),
        ("m", Dimension::MASS),
        ("t", Dimension::TEMPERATURE),
        ("f", Dimension::ONE),
    ]
    .map(|(name, d)| (name.to_owned(), d))
    .into()
}

fn fault(text: &str) -> FormulaError {
    match Formula::parse(text) {
        Ok(formula) => formula.check(&known()).unwrap_err(),
        Err(error) => error,
    }
}

/// Ready evaluators differ silently in these: the rules of written algebra are fixed here.
#[test]
fn powers_signs_and_quotients_bind_as_in_written_algebra() {
    for (text, wanted) in [
        ("-2^2", -4.0),
        ("(-2)^2", 4.0),
        ("2^3^2", 512.0),
        ("2^-1", 0.5),
        ("1/2", 0.5),
        ("8/4/2", 1.0),
        ("8/4*2", 4.0),
        ("2 - 3 - 4", -5.0),
        ("2 - (3 - 4)", 3.0),
        ("2 + 3 * 4", 14.0),
        ("2 × 3 · 4 ÷ 6", 4.0),
        ("--3", 3.0),
        ("+3", 3.0),
        ("2 * -3", -6.0),
        ("1.5e2 + .5", 150.5),
        ("sqrt(16) + exp(0) + ln(1) + log10(1000) + abs(-2)", 10.0),
        ("min(3, 1, 2) + max(3, 1, 2) + mean(1, 2, 6)", 7.0),
        ("20 [degC] - 293.15 [K]", 0.0),
        ("100 [mL] / 25 [mL]", 4.0),
        ("M(KHC8H4O4) / M(KHC8H4O4)", 1.0),
        ("5 [%] * 200", 10.0),
    ] {
        assert!((value(text) - wanted).abs() < 1e-12, "{text}: {}", value(text));
    }
}

#[test]
fn names_substances_and_constants_are_listed() {
    let formula =
        Formula::parse("(V - V_blank) * c * M(CH3COOH) / m * 100 [mL] / 10 [mL] + 0 * V / V").unwrap();
    assert_eq!(formula.names().into_iter().collect::<Vec<_>>(), ["V", "V_blank", "c", "m"]);
    assert_eq!(formula.substances().into_iter().collect::<Vec<_>>(), ["CH3COOH"]);
    assert_eq!(formula.constants()[0], Quantity::new(100.0, Unit::parse("mL").unwrap()));
}

#[test]
fn dimensions_are_checked_with_place_and_remedy() {
    let dimension = |text: &str| Formula::parse(text).unwrap().check(&known()).unwrap();
    assert_eq!(dimension("(V - V_blank) * c * M(HCl) / m"), Dimension::ONE);
    assert_eq!(dimension("sqrt(V^2 + V_blank^2)"), Dimension::VOLUME);
    assert_eq!(dimension("V * (1 - 0.0011 [1/K] * (t - 20 [degC]))"), Dimension::VOLUME);
    assert_eq!(dimension("V^(2/3) * V^(1/3)"), Dimension::VOLUME);
    for (text, character, words) in [
        ("V + m", 5, "cannot add g to mL at character 5 ('m'); bring both sides"),
        (
            "V - V_blank + 1",
            15,
            "cannot add 1 to mL at character 15 ('1'); give the plain number a unit, as 0 [mL]",
        ),
        ("V * V_blnk", 5, "unknown name at character 5 ('V_blnk'); perhaps 'V_blank' is meant"),
        ("V * zzz", 5, "declare it in the procedure"),
        (
            "log10(c)",
            7,
            "log10 needs a plain number, not mol/L at character 7 ('c'); divide by a reference first, as / 1 [mol/L]",
        ),
        ("f^V", 3, "an exponent needs a plain number, not mL"),
        ("V^f", 3, "mL cannot be raised to this power"),
        ("max(V, m)", 8, "cannot compare or average mL and g"),
        ("sqr(f)", 1, "perhaps 'sqrt' is meant"),
        ("sin(f)", 1, "no such function"),
        ("sqrt(f, f)", 1, "sqrt takes one argument, 2 are given"),
        ("V * ", 5, "expected a number, a name, a function or '('"),
        ("V c", 3, "expected an operator or the end"),
        ("2V", 2, "expected an operator or a unit in square brackets"),
        ("(V", 3, "expected ')' or an operator"),
        ("max(V", 6, "expected ')', ',' or an operator"),
        ("V)", 2, "expected an operator or the end"),
        ("5 [mll]", 1, "perhaps 'mL' is meant"),
        ("5 [mL", 6, "expected ']'"),
        ("M(Xq)", 3, "there is no such element"),
        ("M(NaCl", 1, "expected ')' behind the substance"),
        ("", 1, "expected a"),
        ("V * 0,5", 6, "expected an operator or the end"),
        ("1e999", 1, "too large"),
    ] {
        let error = fault(text);
        assert!(error.to_string().contains(words), "{text}: {error}");
        assert_eq!(error.character, character, "{text}: {error}");
    }
}

#[test]
fn the_mark_stands_under_the_place_also_behind_wide_letters() {
    let error = fault("µ_1 + V");
    assert_eq!(error.picture("µ_1 + V"), "µ_1 + V\n^^^");
    let error = fault("V + m * f");
    assert_eq!(error.picture("V + m * f"), "V + m * f\n    ^^^^^");
}

#[test]
fn a_result_in_a_wrong_unit_is_told_before_the_run() {
    let formula = Formula::parse("V * c").unwrap();
    assert!(formula.check_unit(&known(), &Unit::parse("mmol").unwrap()).is_ok());
    let error = formula.check_unit(&known(), &Unit::parse("g").unwrap()).unwrap_err().to_string();
    assert!(error.starts_with("the formula gives mol, the result is wanted in g"), "{error}");
}

#[test]
fn zero_and_values_out_of_reach_are_told_with_their_place() {
    for (text, character, wanted) in [
        ("1 / (2 - 2)", 5, Fault::DivisionByZero),
        ("0^-1", 1, Fault::DivisionByZero),
        ("1 + ln(0)", 5, Fault::OutOfDomain("ln", 0.0)),
        ("log10(-1)", 1, Fault::OutOfDomain("log10", -1.0)),
        ("sqrt(-4)", 1, Fault::OutOfDomain("sqrt", -4.0)),
        ("(-8)^0.5", 1, Fault::OutOfDomain("this power", -8.0)),
        ("exp(1000)", 1, Fault::NotFinite),
        ("1e300 * 1e300", 1, Fault::NotFinite),
    ] {
        let error = Formula::parse(text).unwrap().evaluate(&Scope::default()).unwrap_err();
        assert_eq!(error.fault, wanted, "{text}");
        // Within brackets the place is that of what stands inside.
        assert!(
            error.character == character || error.character == character + 1,
            "{text}: {}",
            error.character
        );
    }
    assert!(value("sqrt(0)").abs() < 1e-300);
}

#[test]
fn bounded_in_length_and_depth() {
    assert!(matches!(fault(&"1+".repeat(2_000)).fault, Fault::TooMuch(_)));
    assert!(matches!(fault(&format!("{}1{}", "(".repeat(100), ")".repeat(100))).fault, Fault::TooMuch(_)));
    assert!(matches!(fault(&format!("{}1", "-".repeat(1_500))).fault, Fault::TooMuch(_)));
    assert!(matches!(fault(&format!("2{}", "^2".repeat(500))).fault, Fault::TooMuch(_)));
    // The largest that is read does not fall either.
    let wide = format!("1{}", "+1".repeat(999));
    assert!((value(&wide) - 1_000.0).abs() < 1e-9);
    let deep = format!("{}1{}", "(".repeat(40), ")".repeat(40));
    assert!((value(&deep) - 1.0).abs() < 1e-15);
    let signs = format!("{}1", "-".repeat(100));
    assert!((value(&signs) - 1.0).abs() < 1e-15);
}

#[test]
fn the_molar_mass_shares_each_element_and_can_be_replaced() {
    let mut sources = Sources::default();
    let mut scope = Scope::default();
    let formula = Formula::parse("M(KHC8H4O4) - 2 * M(C4H2O2)").unwrap();
    scope.fill_molar_masses(&formula, &AtomicWeights::of_1999(), &mut sources).unwrap();
    let rest = formula.evaluate(&scope).unwrap();
    // Only K and one H are left: carbon and oxygen cancel with their uncertainty.
    let wanted = (0.000_1_f64.powi(2) / 3.0 + 0.000_07_f64.powi(2) / 3.0).sqrt();
    assert!((sources.u(&rest) - wanted).abs() < 1e-12, "{}", sources.u(&rest));

    let alone = Formula::parse("M(KHC8H4O4)").unwrap();
    let mut given = Scope::default();
    let id = sources.add(Source::normal("certificate", 0.02, "g/mol", Kind::MolarMass).unwrap()).unwrap();
    let own = sources.quantity(&"204.20 g/mol".parse().unwrap(), &[id]).unwrap();
    given.set_molar_mass("KHC8H4O4", own);
    given.fill_molar_masses(&alone, &AtomicWeights::current(), &mut sources).unwrap();
    assert!((alone.evaluate(&given).unwrap().value - 204.20).abs() < 1e-12);
    let lacking = Formula::parse("1 [g/mol] + M(NaCl)").unwrap();
    let error = given.fill_molar_masses(&lacking, &AtomicWeights::of_1999(), &mut sources).unwrap_err();
    assert_eq!((error.character, error.at.as_str()), (13, "M(NaCl)"));
}

#[test]
fn results_are_put_in_order_and_circles_told() {
    let parse = |name: &str, text: &str| (name.to_owned(), Formula::parse(text).unwrap());
    let formulae =
        Formulae::new(vec![parse("x", "y + z"), parse("y", "2 * z"), parse("z", "V"), parse("w", "x / V")])
            .unwrap();
    assert_eq!(formulae.iter().map(|(name, _)| name).collect::<Vec<_>>(), ["z", "y", "x", "w"]);
    assert_eq!(formulae.check(&known()).unwrap()["w"], Dimension::ONE);
    let error = Formulae::new(vec![parse("a", "V"), parse("b", "c + a"), parse("c", "d"), parse("d", "b")])
        .unwrap_err();
    assert!(error.to_string().contains("b -> c -> d -> b"), "{error}");
    let error = Formulae::new(vec![parse("a", "a + 1")]).unwrap_err();
    assert!(error.to_string().contains("a -> a"), "{error}");
    let error = Formulae::new(vec![parse("a", "1"), parse("a", "2")]).unwrap_err();
    assert_eq!(error.fault, Fault::Twice);
    let bad = Formulae::new(vec![parse("a", "V + m")]).unwrap();
    assert!(bad.check(&known()).unwrap_err().to_string().starts_with("a: cannot add g to mL"));
}

/// Derivatives against central differences over one formula with every operation.
#[test]
fn derivatives_agree_with_differences() {
    let text = "sqrt(x) * exp(-y / 3) + ln(x * y) / log10(x + 5) - abs(x - y)^1.5 + x^y / (1 + max(x, y) * mean(x, y, 2)) \
                - min(x, y)^2";
    let formula = Formula::parse(text).unwrap();
    let at = |x: f64, y: f64| {
        let mut scope = Scope::default();
        scope.set("x", Uncertain::exact(x, Dimension::ONE));
        scope.set("y", Uncertain::exact(y, Dimension::ONE));
        formula.evaluate(&scope).unwrap().value
    };
    let mut sources = Sources::default();
    let mut scope = Scope::default();
    let mut ids = Vec::new();
    for (name, value) in [("x", "2.3"), ("y", "1.1")] {
        let id = sources.add(Source::normal(name, 1.0, "1", Kind::Other).unwrap()).unwrap();
        scope.set(name, sources.quantity(&value.parse().unwrap(), &[id]).unwrap());
        ids.push(id);
    }
    let result = formula.evaluate(&scope).unwrap();
    let h = 1e-5;
    let by_x = (at(2.3 + h, 1.1) - at(2.3 - h, 1.1)) / (2.0 * h);
    let by_y = (at(2.3, 1.1 + h) - at(2.3, 1.1 - h)) / (2.0 * h);
    assert!((result.parts[&ids[0]] - by_x).abs() < 1e-8, "{} {by_x}", result.parts[&ids[0]]);
    assert!((result.parts[&ids[1]] - by_y).abs() < 1e-8, "{} {by_y}", result.parts[&ids[1]]);
}

fn node(what: What) -> Node {
    Node { span: Span::default(), what }
}

fn any_node() -> impl Strategy<Value = Node> {
    let leaf = prop_oneof![
        (0.0_f64..1e9).prop_map(|v| node(What::Number(v))),
        (1e-12_f64..1.0).prop_map(|v| node(What::Number(v))),
        (0.0_f64..1e3, prop_oneof![Just("mL"), Just("1/K"), Just("g/100 g"), Just("mg KOH/g")])
            .prop_map(|(v, unit)| node(What::Quantity(v, Unit::parse(unit).unwrap()))),
        "[A-Za-z_][A-Za-z0-9_]{0,6}".prop_map(|name| node(What::Name(name))),
        prop_oneof![Just("KHC8H4O4"), Just("Ca(OH)2"), Just("Na2B4O7.10H2O")]
            .prop_map(|s| node(What::MolarMass(s.to_owned()))),
    ];
    leaf.prop_recursive(4, 24, 3, |inner| {
        let more = proptest::collection::vec((any::<bool>(), inner.clone()), 1..3);
        prop_oneof![
            inner.clone().prop_map(|x| node(What::Negative(Box::new(x)))),
            (inner.clone(), more.clone()).prop_map(|(x, m)| node(What::Sum(Box::new(x), m))),
            (inner.clone(), more).prop_map(|(x, m)| node(What::Product(Box::new(x), m))),
            (inner.clone(), inner.clone()).prop_map(|(x, y)| node(What::Power(Box::new(x), Box::new(y)))),
            (0..8_usize, proptest::collection::vec(inner, 1..3)).prop_map(|(i, mut arguments)| {
                let function = Function::ALL[i].1;
                if !function.takes_several() {
                    arguments.truncate(1);
                }
                node(What::Call(function, arguments))
            }),
        ]
    })
}

/// A node with the places taken out, so that two trees can be compared.
fn bare(n: &Node) -> Node {
    let list = |m: &[(bool, Node)]| m.iter().map(|(b, x)| (*b, bare(x))).collect();
    node(match &n.what {
        What::Negative(x) => What::Negative(Box::new(bare(x))),
        What::Sum(x, m) => What::Sum(Box::new(bare(x)), list(m)),
        What::Product(x, m) => What::Product(Box::new(bare(x)), list(m)),
        What::Power(x, y) => What::Power(Box::new(bare(x)), Box::new(bare(y))),
        What::Call(f, a) => What::Call(*f, a.iter().map(bare).collect()),
        leaf => leaf.clone(),
    })
}

proptest! {
    #[test]
    fn every_formula_is_read_back_from_its_print(root in any_node()) {
        let printed = Formula { root: root.clone(), text: String::new() }.to_string();
        prop_assume!(printed.len() <= super::LONGEST);
        let back = Formula::parse(&printed).unwrap();
        // Signs and sums of one rank within each other keep their brackets, so that even the tree is the same.
        prop_assert_eq!(bare(&back.root), bare(&root), "{}", printed);
        prop_assert_eq!(back.to_string(), printed);
    }

    #[test]
    fn no_text_makes_it_fall(text in "[-+*/^()\\[\\], .0-9a-zA-ZµM]{0,60}") {
        match Formula::parse(&text) {
            Ok(formula) => {
                let again = Formula::parse(&formula.to_string()).unwrap();
                prop_assert_eq!(&again, &formula);
                let _unknown = formula.check(&known());
            }
            Err(error) => {
                prop_assert!(text.is_char_boundary(error.span.start) && text.is_char_boundary(error.span.end));
                prop_assert!(!error.to_string().is_empty() && !error.picture(&text).is_empty());
            }
        }
    }
}

use super::*;

#[test]
fn decimals_are_read_with_comma_or_dot_and_shown_again_as_they_were() {
    assert_eq!((decimal("17", 3), decimal("17.5", 3), decimal("17,25", 3)), (Ok(17_000), Ok(17_500), Ok(17_250)));
    assert_eq!(decimal("-3.5", 1), Ok(-35));
    for wrong in ["", ".", "17.55", "1e3", "17 5", "--1", "9999999999"] {
        assert!(decimal(wrong, 1).is_err(), "{wrong}");
    }
    for (number, digits, text) in [(17_500, 3, "17.5"), (-35, 1, "-3.5"), (700, 1, "70"), (0, 0, "0"), (5, 3, "0.005")]
    {
        assert_eq!(shown(number, digits), text);
        assert_eq!(decimal(text, digits), Ok(number));
    }
}

// Package units turns what a technician typed into a value: plain decimal
// digits and a UCUM code become a Quantity with the canonical double and the
// weight of the last typed digit.
//
// In: digits as typed ("0.00050") and a unit ("[in_i]"). Out: the same digits,
// the value in the canonical unit of the dimension, and its resolution there.
//
// Invariants:
//   - the digits are kept as typed, zeros included: they say how finely the
//     instrument resolved;
//   - conversion is exact: digits and factors are rationals (an inch is 25.4 mm,
//     NIST SP 811, appendix B.6), and only the result is rounded, once, to the
//     nearest double. 5 millionths of an inch survive every step;
//   - exponents, signs of infinity, NaN, blanks, separators and decimal commas
//     are refused, so that a number means the same to everybody;
//   - units are those of the Unified Code for Units of Measure
//     (https://ucum.org/ucum), as far as the trade needs them.
package units

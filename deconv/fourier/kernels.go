package fourier

// A pass of radix r takes rows of s values each. It reads the r rows
// p, p+lp, p+2lp… of src (ss values from row to row), transforms across them,
// multiplies by the twiddle factors w^(pj) in tw, and writes rows rp…rp+r−1 of
// dst. This is Stockham's arrangement with decimation in frequency: repeated
// with lp divided and s multiplied by r it leaves the result in order.
//
// A final pass has no twiddle factors. It reads and writes the rows
// q, q+cnt, q+2cnt…, ss apart in src and ds apart in dst.

const (
	sin60  = 0.866025403784438646763723170752936183
	sin72  = 0.951056516295153572116439333379382143
	sin144 = 0.587785252292473129168705954639072769
	// cos72 and cos144 are −1/4 ± √5/4
	sqrt5by4 = 0.559016994374947424102293417182819059
)

func pass(r int, dst, src []complex128, lp, s, ss int, tw []complex128) {
	switch r {
	case 2:
		pass2(dst, src, lp, s, ss, tw)
	case 3:
		pass3(dst, src, lp, s, ss, tw)
	case 4:
		pass4(dst, src, lp, s, ss, tw)
	case 5:
		pass5(dst, src, lp, s, ss, tw)
	}
}

func final(r int, dst, src []complex128, cnt, s, ss, ds int) {
	switch r {
	case 1:
		for q := range cnt {
			copy(dst[q*ds:][:s], src[q*ss:][:s])
		}
	case 2:
		final2(dst, src, cnt, s, ss, ds)
	case 3:
		final3(dst, src, cnt, s, ss, ds)
	case 4:
		final4(dst, src, cnt, s, ss, ds)
	case 5:
		final5(dst, src, cnt, s, ss, ds)
	}
}

func pass2(dst, src []complex128, lp, s, ss int, tw []complex128) {
	for p := range lp {
		w1 := tw[p]
		a0 := src[p*ss:][:s]
		a1 := src[(p+lp)*ss:][:len(a0)]
		d0 := dst[2*p*s:][:len(a0)]
		d1 := dst[(2*p+1)*s:][:len(a0)]
		for q, x0 := range a0 {
			x1 := a1[q]
			d0[q] = x0 + x1
			d1[q] = (x0 - x1) * w1
		}
	}
}

func final2(dst, src []complex128, cnt, s, ss, ds int) {
	for p := range cnt {
		a0 := src[p*ss:][:s]
		a1 := src[(p+cnt)*ss:][:len(a0)]
		d0 := dst[p*ds:][:len(a0)]
		d1 := dst[(p+cnt)*ds:][:len(a0)]
		for q, x0 := range a0 {
			x1 := a1[q]
			d0[q] = x0 + x1
			d1[q] = x0 - x1
		}
	}
}

func pass3(dst, src []complex128, lp, s, ss int, tw []complex128) {
	for p := range lp {
		w1, w2 := tw[2*p], tw[2*p+1]
		a0 := src[p*ss:][:s]
		a1 := src[(p+lp)*ss:][:len(a0)]
		a2 := src[(p+2*lp)*ss:][:len(a0)]
		d0 := dst[3*p*s:][:len(a0)]
		d1 := dst[(3*p+1)*s:][:len(a0)]
		d2 := dst[(3*p+2)*s:][:len(a0)]
		for q, x0 := range a0 {
			x1, x2 := a1[q], a2[q]
			t, u := x1+x2, x1-x2
			mr, mi := real(x0)-0.5*real(t), imag(x0)-0.5*imag(t)
			ur, ui := sin60*real(u), sin60*imag(u)
			d0[q] = x0 + t
			d1[q] = complex(mr+ui, mi-ur) * w1
			d2[q] = complex(mr-ui, mi+ur) * w2
		}
	}
}

func final3(dst, src []complex128, cnt, s, ss, ds int) {
	for p := range cnt {
		a0 := src[p*ss:][:s]
		a1 := src[(p+cnt)*ss:][:len(a0)]
		a2 := src[(p+2*cnt)*ss:][:len(a0)]
		d0 := dst[p*ds:][:len(a0)]
		d1 := dst[(p+cnt)*ds:][:len(a0)]
		d2 := dst[(p+2*cnt)*ds:][:len(a0)]
		for q, x0 := range a0 {
			x1, x2 := a1[q], a2[q]
			t, u := x1+x2, x1-x2
			mr, mi := real(x0)-0.5*real(t), imag(x0)-0.5*imag(t)
			ur, ui := sin60*real(u), sin60*imag(u)
			d0[q] = x0 + t
			d1[q] = complex(mr+ui, mi-ur)
			d2[q] = complex(mr-ui, mi+ur)
		}
	}
}

func pass4(dst, src []complex128, lp, s, ss int, tw []complex128) {
	for p := range lp {
		w := tw[3*p:][:3]
		w1, w2, w3 := w[0], w[1], w[2]
		a0 := src[p*ss:][:s]
		a1 := src[(p+lp)*ss:][:len(a0)]
		a2 := src[(p+2*lp)*ss:][:len(a0)]
		a3 := src[(p+3*lp)*ss:][:len(a0)]
		d0 := dst[4*p*s:][:len(a0)]
		d1 := dst[(4*p+1)*s:][:len(a0)]
		d2 := dst[(4*p+2)*s:][:len(a0)]
		d3 := dst[(4*p+3)*s:][:len(a0)]
		for q := range a0 {
			t0, t1 := real(a0[q])+real(a2[q]), real(a0[q])-real(a2[q])
			t2, t3 := real(a1[q])+real(a3[q]), real(a1[q])-real(a3[q])
			yr, ur := t0+t2, t0-t2

			u0, u1 := imag(a0[q])+imag(a2[q]), imag(a0[q])-imag(a2[q])
			u2, u3 := imag(a1[q])+imag(a3[q]), imag(a1[q])-imag(a3[q])
			d0[q] = complex(yr, u0+u2)
			d2[q] = complex(ur, u0-u2) * w2
			d1[q] = complex(t1+u3, u1-t3) * w1
			d3[q] = complex(t1-u3, u1+t3) * w3
		}
	}
}

func final4(dst, src []complex128, cnt, s, ss, ds int) {
	for p := range cnt {
		a0 := src[p*ss:][:s]
		a1 := src[(p+cnt)*ss:][:len(a0)]
		a2 := src[(p+2*cnt)*ss:][:len(a0)]
		a3 := src[(p+3*cnt)*ss:][:len(a0)]
		d0 := dst[p*ds:][:len(a0)]
		d1 := dst[(p+cnt)*ds:][:len(a0)]
		d2 := dst[(p+2*cnt)*ds:][:len(a0)]
		d3 := dst[(p+3*cnt)*ds:][:len(a0)]
		for q := range a0 {
			t0, t1 := real(a0[q])+real(a2[q]), real(a0[q])-real(a2[q])
			t2, t3 := real(a1[q])+real(a3[q]), real(a1[q])-real(a3[q])
			yr, ur := t0+t2, t0-t2

			u0, u1 := imag(a0[q])+imag(a2[q]), imag(a0[q])-imag(a2[q])
			u2, u3 := imag(a1[q])+imag(a3[q]), imag(a1[q])-imag(a3[q])
			d0[q] = complex(yr, u0+u2)
			d2[q] = complex(ur, u0-u2)
			d1[q] = complex(t1+u3, u1-t3)
			d3[q] = complex(t1-u3, u1+t3)
		}
	}
}

func pass5(dst, src []complex128, lp, s, ss int, tw []complex128) {
	for p := range lp {
		w := tw[4*p:][:4]
		w1, w2, w3, w4 := w[0], w[1], w[2], w[3]
		a0 := src[p*ss:][:s]
		a1 := src[(p+lp)*ss:][:len(a0)]
		a2 := src[(p+2*lp)*ss:][:len(a0)]
		a3 := src[(p+3*lp)*ss:][:len(a0)]
		a4 := src[(p+4*lp)*ss:][:len(a0)]
		d0 := dst[5*p*s:][:len(a0)]
		d1 := dst[(5*p+1)*s:][:len(a0)]
		d2 := dst[(5*p+2)*s:][:len(a0)]
		d3 := dst[(5*p+3)*s:][:len(a0)]
		d4 := dst[(5*p+4)*s:][:len(a0)]
		for q := range a0 {
			x := real(a0[q])
			t1, t3 := real(a1[q])+real(a4[q]), real(a1[q])-real(a4[q])
			t2, t4 := real(a2[q])+real(a3[q]), real(a2[q])-real(a3[q])
			t := t1 + t2
			yr := x + t
			m, v := x-0.25*t, sqrt5by4*(t1-t2)
			m1r, m2r := m+v, m-v
			n1r, n2r := sin72*t3+sin144*t4, sin144*t3-sin72*t4

			x = imag(a0[q])
			t1, t3 = imag(a1[q])+imag(a4[q]), imag(a1[q])-imag(a4[q])
			t2, t4 = imag(a2[q])+imag(a3[q]), imag(a2[q])-imag(a3[q])
			t = t1 + t2
			d0[q] = complex(yr, x+t)
			m, v = x-0.25*t, sqrt5by4*(t1-t2)
			m1i, m2i := m+v, m-v
			n1i, n2i := sin72*t3+sin144*t4, sin144*t3-sin72*t4

			d1[q] = complex(m1r+n1i, m1i-n1r) * w1
			d4[q] = complex(m1r-n1i, m1i+n1r) * w4
			d2[q] = complex(m2r+n2i, m2i-n2r) * w2
			d3[q] = complex(m2r-n2i, m2i+n2r) * w3
		}
	}
}

func final5(dst, src []complex128, cnt, s, ss, ds int) {
	for p := range cnt {
		a0 := src[p*ss:][:s]
		a1 := src[(p+cnt)*ss:][:len(a0)]
		a2 := src[(p+2*cnt)*ss:][:len(a0)]
		a3 := src[(p+3*cnt)*ss:][:len(a0)]
		a4 := src[(p+4*cnt)*ss:][:len(a0)]
		d0 := dst[p*ds:][:len(a0)]
		d1 := dst[(p+cnt)*ds:][:len(a0)]
		d2 := dst[(p+2*cnt)*ds:][:len(a0)]
		d3 := dst[(p+3*cnt)*ds:][:len(a0)]
		d4 := dst[(p+4*cnt)*ds:][:len(a0)]
		for q := range a0 {
			x := real(a0[q])
			t1, t3 := real(a1[q])+real(a4[q]), real(a1[q])-real(a4[q])
			t2, t4 := real(a2[q])+real(a3[q]), real(a2[q])-real(a3[q])
			t := t1 + t2
			yr := x + t
			m, v := x-0.25*t, sqrt5by4*(t1-t2)
			m1r, m2r := m+v, m-v
			n1r, n2r := sin72*t3+sin144*t4, sin144*t3-sin72*t4

			x = imag(a0[q])
			t1, t3 = imag(a1[q])+imag(a4[q]), imag(a1[q])-imag(a4[q])
			t2, t4 = imag(a2[q])+imag(a3[q]), imag(a2[q])-imag(a3[q])
			t = t1 + t2
			d0[q] = complex(yr, x+t)
			m, v = x-0.25*t, sqrt5by4*(t1-t2)
			m1i, m2i := m+v, m-v
			n1i, n2i := sin72*t3+sin144*t4, sin144*t3-sin72*t4

			d1[q] = complex(m1r+n1i, m1i-n1r)
			d4[q] = complex(m1r-n1i, m1i+n1r)
			d2[q] = complex(m2r+n2i, m2i-n2r)
			d3[q] = complex(m2r-n2i, m2i+n2r)
		}
	}
}

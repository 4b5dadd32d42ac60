package comtrade_test

import (
	"context"
	"testing"

	"faultkeep/store/format"
	"faultkeep/store/format/comtrade"
)

func TestQuick(t *testing.T) {
	cfg := "Northquay,Elevator,1999\r\n3,2A,1D\r\n1,speed,,,rpm,0.1,0,0,-32767,32767,1,1,P\r\n2,current,A,,A,0.01,0,0,-32767,32767,100,5,S\r\n1,fault,,,0\r\n50\r\n1\r\n1000,3\r\n25/11/2026,03:12:07.410000\r\n25/11/2026,03:12:07.412000\r\nASCII\r\n1\r\n"
	dat := "1,0,100,1740,0\r\n2,1000,99999,,1\r\n3,2000,-3,5,1\r\n\x1a"
	r, err := comtrade.Decoder{}.Decode(context.Background(), []format.File{{"a.cfg", []byte(cfg)}, {"a.dat", []byte(dat)}}, format.Options{})
	t.Logf("%+v %v", r, err)
}
